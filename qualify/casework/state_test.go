package casework_test

import (
	"encoding/json"
	"errors"
	"strings"
	"testing"
	"time"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/casework/storetest"
)

// A case goes through every state, and its line of the list says what the
// case says.
func TestState(t *testing.T) {
	s := new(storetest.Memory)
	c := newCase(t, s)
	until := monday.AddDate(0, 0, 14)
	determined := func(draft bool, needs ...string) casework.Change {
		return casework.Determined{Program: "1", Draft: draft, Results: []casework.Result{{Criteria: "xx-example", Outcome: "undetermined", Needs: needs}}}
	}
	follows := casework.Determined{Program: "1", Due: "2026-05-01", DueFor: "retest", Until: "2026-04-20", Results: []casework.Result{{Criteria: "xx-example", Outcome: "qualifies"}}}
	answer := func(says string) casework.Change {
		a := casework.Answer{Says: says}
		if says == "located" {
			a.Stated.Fact = json.RawMessage("1")
		}
		return casework.Answered{Answers: map[string]casework.Answer{"hematocrit": a}}
	}
	fact := casework.FactsStated{Facts: map[string]casework.Stated{"hematocrit": {Fact: json.RawMessage("44")}}}
	shaB := strings.Repeat("0b", 32)
	for _, step := range []struct {
		name   string
		role   casework.Role
		change casework.Change
		want   casework.State
		due    string
	}{
		{"nothing to judge", "system", determined(true, "custody"), "draft", ""},
		{"questions", "system", determined(false, "order_date"), "open", ""},
		{"a look changes nothing", "intake", casework.Viewed{Page: "case"}, "open", ""},
		{"with the office", "intake", casework.LinkMade{SHA256: shaA, Role: "office", Expires: until}, "office", "2026-03-16 office"},
		{"a day that was set comes first", "intake", casework.Assigned{Owner: "account-7", Due: "2026-03-09"}, "office", "2026-03-09 set"},
		{"link withdrawn", "intake", casework.LinkRevoked{SHA256: shaA}, "open", "2026-03-09 set"},
		{"a link for the tester", "intake", casework.LinkMade{SHA256: shaA, Role: "tester", Expires: until}, "open", "2026-03-09 set"},
		{"the day taken back", "intake", casework.Assigned{Owner: "account-7"}, "open", ""},
		{"with the office again", "intake", casework.LinkMade{SHA256: shaB, Role: "office", Expires: until}, "office", "2026-03-16 office"},
		{"an answer, a question left", "office", answer("not_in_chart"), "open", ""},
		{"no question left", "system", follows, "answered", "2026-05-01 retest"},
		{"a day after what follows", "intake", casework.Assigned{Owner: "account-7", Due: "2026-05-02"}, "answered", "2026-05-01 retest"},
		{"the office disagrees", "office", answer("disagrees"), "disputed", "2026-05-01 retest"},
		{"stated anew", "intake", fact, "answered", "2026-05-01 retest"},
		{"it disagrees again", "office", answer("disagrees"), "disputed", "2026-05-01 retest"},
		{"and finds it", "office", answer("located"), "answered", "2026-05-01 retest"},
		{"closed", "intake", casework.Closed{}, "closed", "2026-05-01 retest"},
		{"reopened", "intake", casework.Reopened{}, "answered", "2026-05-01 retest"},
	} {
		must(t, c.Append(t.Context(), s, stamp(step.role), step.change))
		read, err := casework.Open(t.Context(), s, c.Number)
		must(t, err)
		heads, _, err := s.List(t.Context(), casework.Selection{State: step.want}, "", 5)
		must(t, err)
		if got := read.State(); got != step.want || c.State() != got || len(heads) != 1 || heads[0].State != got {
			t.Errorf("%s: state %q and %q, %d lines; want %q", step.name, got, c.State(), len(heads), step.want)
		}
		day, what := read.Due()
		if got := strings.TrimSpace(day + " " + what); got != step.due || heads[0].Due != day || heads[0].DueFor != what {
			t.Errorf("%s: due %q, in the list %q %q; want %q", step.name, got, heads[0].Due, heads[0].DueFor, step.due)
		}
	}
	if c.Determination.Until != "2026-04-20" {
		t.Errorf("serves until %q", c.Determination.Until)
	}
}

// Who works on a case says nothing on which a determination rests.
func TestAssigned(t *testing.T) {
	s := new(storetest.Memory)
	number, err := casework.NewNumber(monday, random(1))
	must(t, err)
	c, err := casework.Create(t.Context(), s, number, stamp("intake"), casework.Opened{Criteria: []string{"xx-example"}, Owner: "account-1"})
	must(t, err)
	edited := c.Edited
	must(t, c.Append(t.Context(), s, stamp("intake"), casework.Assigned{Owner: "account-2"}))
	if c.Owner != "account-2" || c.Edited != edited || c.DueSet != "" {
		t.Errorf("case %+v", c)
	}
	for name, ch := range map[string]casework.Change{
		"the same once more": casework.Assigned{Owner: "account-2"},
		"no day":             casework.Assigned{Owner: "account-1", Due: "2026-02-30"},
		"a day of no form":   casework.Assigned{Owner: "account-1", Due: "2.3.2026"},
		"due on no day":      casework.Determined{Program: "1", Due: "soon", Results: []casework.Result{{}}},
	} {
		if err := c.Append(t.Context(), s, stamp("intake"), ch); !errors.Is(err, casework.ErrRefused) {
			t.Errorf("%s: %v", name, err)
		}
	}
	heads, _, err := s.List(t.Context(), casework.Selection{Owner: "account-2"}, "", 5)
	must(t, err)
	if len(heads) != 1 || heads[0].Form != casework.HeadForm {
		t.Errorf("heads %+v", heads)
	}
}

// Keys ascend as the words of an order say, whatever the instant.
func TestOrderKey(t *testing.T) {
	at := func(tm time.Time) string { return casework.ByOpened.Key(casework.Head{OpenedAt: tm}) }
	if a, b := at(monday), at(monday.Add(time.Millisecond)); a <= b {
		t.Errorf("the later case sorts after the earlier: %s, %s", b, a)
	}
	if a, b := at(time.Time{}), at(monday); a <= b {
		t.Errorf("a case of no instant sorts before one that has it: %s, %s", a, b)
	}
	if a, b := casework.ByDue.Key(casework.Head{Due: "9999-12-31"}), casework.ByDue.Key(casework.Head{}); a >= b {
		t.Errorf("%q is not before %q", a, b)
	}
}
