package casework_test

import (
	"bytes"
	"context"
	"crypto/aes"
	"crypto/cipher"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/casework/storetest"
)

func TestMemory(t *testing.T) {
	storetest.Run(t, func(t *testing.T) casework.Store { return new(storetest.Memory) })
}

var monday = time.Date(2026, 3, 2, 9, 30, 0, 0, time.UTC)

func stamp(role casework.Role) casework.Stamp {
	return casework.Stamp{At: monday, By: "account-7", Role: role}
}

func random(seed byte) *rand.ChaCha8 { return rand.NewChaCha8([32]byte{seed}) }

func newCase(t *testing.T, s casework.Store) *casework.Case {
	t.Helper()
	number, err := casework.NewNumber(monday, random(1))
	if err != nil {
		t.Fatal(err)
	}
	c, err := casework.Create(t.Context(), s, number, stamp(casework.RoleIntake), casework.Opened{Criteria: []string{"xx-example"}})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

const shaA = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad" // of "abc": FIPS 180-4, example B.1

func manySpans(n int) []casework.SpanSaid {
	var out []casework.SpanSaid
	for i := range n {
		out = append(out, casework.SpanSaid{From: fmt.Sprint(i + 10), To: "z", Judgement: "genuine"})
	}
	return out
}

var shaB = strings.Repeat("b0", 32)

// tries is how often a wrong code was given at the link shaB, and whether it
// opens still; no try counts as work on the case.
func tries(wrong int, opens bool) func(*casework.Case) bool {
	return func(c *casework.Case) bool {
		_, ok := c.LinkAt(shaB, monday)
		return c.Links[len(c.Links)-1].Wrong == wrong && ok == opens && c.Edited < c.K
	}
}

// A case as it is worked, step by step, each with what must hold after it.
func TestCase(t *testing.T) {
	s := new(storetest.Memory)
	c := newCase(t, s)
	ref := casework.Ref(strings.Repeat("0a", 32))
	later := monday.Add(time.Hour)
	steps := []struct {
		name   string
		role   casework.Role
		change casework.Change
		ok     func(c *casework.Case) bool // nil: the change is refused
	}{
		{"patient", "intake", casework.PatientStated{Name: ref}, func(c *casework.Case) bool { return c.Patient.Name == ref }},
		{"a name is no reference", "intake", casework.PatientStated{Name: "Somebody"}, nil},
		{"facts", "intake", casework.FactsStated{Facts: map[string]casework.Stated{"custody": {Fact: json.RawMessage(`"order_on_file"`)}, "birth_date": {Personal: ref}}},
			func(c *casework.Case) bool {
				return string(c.Facts["custody"].Fact) == `"order_on_file"` && c.Facts["birth_date"].Personal == ref && c.Facts["custody"].K == c.K
			}},
		{"no facts", "intake", casework.FactsStated{}, nil},
		{"fact without value", "intake", casework.FactsStated{Facts: map[string]casework.Stated{"custody": {}}}, nil},
		{"fact with both", "intake", casework.FactsStated{Facts: map[string]casework.Stated{"custody": {Fact: json.RawMessage("1"), Personal: ref}}}, nil},
		{"fact that is no JSON", "intake", casework.FactsStated{Facts: map[string]casework.Stated{"custody": {Fact: json.RawMessage("{")}}}, nil},
		{"change too large", "intake", casework.FactsStated{Facts: map[string]casework.Stated{"note": {Fact: json.RawMessage(`"` + strings.Repeat("x", casework.MaxChange) + `"`)}}}, nil},
		{"withdraw a fact", "intake", casework.FactWithdrawn{Name: "birth_date"}, func(c *casework.Case) bool { _, ok := c.Facts["birth_date"]; return !ok }},
		{"withdraw it again", "intake", casework.FactWithdrawn{Name: "birth_date"}, nil},
		{"span before upload", "tester", casework.SpanJudged{SHA256: shaA, From: "1", To: "2", Judgement: "genuine", Name: "N", Credential: "C"}, nil},
		{"upload", "tester", casework.UploadAdded{SHA256: shaA, Size: 3}, func(c *casework.Case) bool { return len(c.Uploads) == 1 && c.Uploads[0].Role == "tester" }},
		{"upload twice", "tester", casework.UploadAdded{SHA256: shaA, Size: 3}, nil},
		{"upload without hash", "tester", casework.UploadAdded{SHA256: "ABC"}, nil},
		{"session", "intake", casework.SessionChosen{SHA256: shaA, Session: 2, Reading: json.RawMessage(`{"zone":"Area/City"}`)}, func(c *casework.Case) bool { return c.Uploads[0].Session == 2 }},
		{"session of another recording", "intake", casework.SessionChosen{SHA256: strings.Repeat("00", 32), Session: 1}, nil},
		{"session below 1", "intake", casework.SessionChosen{SHA256: shaA, Session: -1}, nil},
		{"span judged by the supplier", "intake", casework.SpanJudged{SHA256: shaA, Session: 2, From: "1", To: "2", Judgement: "artifact", Name: "N", Credential: "C"}, nil},
		{"span judged without credential", "tester", casework.SpanJudged{SHA256: shaA, Session: 2, From: "1", To: "2", Judgement: "artifact", Name: "N"}, nil},
		{"span judged in other words", "tester", casework.SpanJudged{SHA256: shaA, Session: 2, From: "1", To: "2", Judgement: "noise", Name: "N", Credential: "C"}, nil},
		{"span judged", "tester", casework.SpanJudged{SHA256: shaA, Session: 2, From: "1", To: "2", Judgement: "artifact", Name: "N", Credential: "C"}, func(c *casework.Case) bool { return len(c.Uploads[0].Spans) == 1 }},
		{"span judged anew", "office", casework.SpanJudged{SHA256: shaA, Session: 2, From: "1", To: "2", Judgement: "genuine", Name: "N", Credential: "C"},
			func(c *casework.Case) bool {
				return len(c.Uploads[0].Spans) == 1 && c.Uploads[0].Spans[0].Judgement == "genuine"
			}},
		{"spans judged by the supplier", "intake", casework.SpansJudged{SHA256: shaA, Session: 2, By: ref, Spans: []casework.SpanSaid{{From: "1", To: "2", Judgement: "artifact"}}}, nil},
		{"spans judged by nobody", "tester", casework.SpansJudged{SHA256: shaA, Session: 2, Spans: []casework.SpanSaid{{From: "1", To: "2", Judgement: "artifact"}}}, nil},
		{"no spans judged", "tester", casework.SpansJudged{SHA256: shaA, Session: 2, By: ref}, nil},
		{"spans judged in other words", "tester", casework.SpansJudged{SHA256: shaA, Session: 2, By: ref, Spans: []casework.SpanSaid{{From: "1", To: "2", Judgement: "noise"}}}, nil},
		{"spans of another recording", "tester", casework.SpansJudged{SHA256: shaB, Session: 2, By: ref, Spans: []casework.SpanSaid{{From: "1", To: "2", Judgement: "artifact"}}}, nil},
		{"too many spans", "tester", casework.SpansJudged{SHA256: shaA, Session: 2, By: ref, Spans: manySpans(casework.MaxSpans)}, nil},
		{"two spans judged, one anew", "tester", casework.SpansJudged{SHA256: shaA, Session: 2, By: ref, Spans: []casework.SpanSaid{{From: "1", To: "2", Judgement: "artifact"}, {From: "3", To: "4", Judgement: "cannot_tell"}}},
			func(c *casework.Case) bool {
				s := c.Uploads[0].Spans
				return len(s) == 2 && s[0].Judgement == "artifact" && s[0].By == ref && s[0].Name == "" && s[1].From == "3"
			}},
		{"same session, spans stay", "intake", casework.SessionChosen{SHA256: shaA, Session: 2, Reading: json.RawMessage(`{"zone": "Area/City"}`)}, func(c *casework.Case) bool { return len(c.Uploads[0].Spans) == 2 }},
		{"another session, spans go", "intake", casework.SessionChosen{SHA256: shaA, Session: 1}, func(c *casework.Case) bool { return len(c.Uploads[0].Spans) == 0 }},
		{"identity without words", "intake", casework.IdentityConfirmed{}, nil},
		{"identity", "intake", casework.IdentityConfirmed{Words: ref}, func(c *casework.Case) bool { return c.Identity.Words == ref }},
		{"another name, identity open", "intake", casework.PatientStated{BirthDate: ref}, func(c *casework.Case) bool { return c.Identity.K == 0 && c.Patient.Name == "" }},
		{"determined", "intake", casework.Determined{Program: "1", Results: []casework.Result{{Criteria: "xx-example", Outcome: "qualifies"}}}, func(c *casework.Case) bool { return c.Determination.K == c.Edited }},
		{"determined nothing", "intake", casework.Determined{Program: "1"}, nil},
		{"viewed", "administrator", casework.Viewed{Page: "worksheet"}, func(c *casework.Case) bool { return c.Edited == c.K-1 && c.Determination.K == c.Edited }},
		{"link", "intake", casework.LinkMade{SHA256: shaA, Role: "office", Expires: later}, func(c *casework.Case) bool {
			l, ok := c.LinkAt(shaA, later.Add(-1))
			_, opens := c.LinkAt(shaA, later)
			return ok && l.Role == "office" && !opens
		}},
		{"code of a link without one", "office", casework.LinkTried{SHA256: shaA}, nil},
		{"link for intake", "intake", casework.LinkMade{SHA256: shaA, Role: "intake", Expires: later}, nil},
		{"link that has expired", "intake", casework.LinkMade{SHA256: shaA, Role: "office", Expires: monday}, nil},
		{"link revoked", "intake", casework.LinkRevoked{SHA256: shaA}, func(c *casework.Case) bool { _, ok := c.LinkAt(shaA, monday); return !ok }},
		{"no such link", "intake", casework.LinkRevoked{SHA256: strings.Repeat("00", 32)}, nil},
		{"link with a code in the clear", "intake", casework.LinkMade{SHA256: shaB, Role: "tester", Expires: later, Code: "123456"}, nil},
		{"link for the account of a tester", "intake", casework.LinkMade{SHA256: shaB, Role: "tester", Expires: later, Office: "Harbour Road Practice"}, nil},
		{"link for an account, with a code", "intake", casework.LinkMade{SHA256: shaB, Role: "office", Expires: later, Code: shaA, Office: "Harbour Road Practice"}, nil},
		{"link with a code", "intake", casework.LinkMade{SHA256: shaB, Role: "tester", Expires: later, Code: shaA}, func(c *casework.Case) bool { l, ok := c.LinkAt(shaB, monday); return ok && l.Code == shaA }},
		{"right code", "tester", casework.LinkTried{SHA256: shaB, Right: true}, tries(0, true)},
		{"first wrong code", "tester", casework.LinkTried{SHA256: shaB}, tries(1, true)},
		{"second", "tester", casework.LinkTried{SHA256: shaB}, tries(2, true)},
		{"third", "tester", casework.LinkTried{SHA256: shaB}, tries(3, true)},
		{"fourth", "tester", casework.LinkTried{SHA256: shaB}, tries(4, true)},
		{"fifth", "tester", casework.LinkTried{SHA256: shaB}, tries(5, false)},
		{"sixth", "tester", casework.LinkTried{SHA256: shaB}, nil},
		{"right code after five wrong ones", "tester", casework.LinkTried{SHA256: shaB, Right: true}, nil},
		{"answers", "office", casework.Answered{Answers: map[string]casework.Answer{"hematocrit": {Says: "located", Stated: casework.Stated{Fact: json.RawMessage(`{"page":"2"}`)}}, "symptoms": {Says: "not_in_chart"}}},
			func(c *casework.Case) bool {
				_, stated := c.Facts["symptoms"]
				return c.Facts["hematocrit"].Role == "office" && !stated && c.Answers["symptoms"].Says == "not_in_chart"
			}},
		{"answer that disagrees and states", "office", casework.Answered{Answers: map[string]casework.Answer{"symptoms": {Says: "disagrees", Stated: casework.Stated{Fact: json.RawMessage("1")}}}}, nil},
		{"answer in other words", "office", casework.Answered{Answers: map[string]casework.Answer{"symptoms": {Says: "maybe"}}}, nil},
		{"answer that it is not theirs to say, and states", "office", casework.Answered{Answers: map[string]casework.Answer{"symptoms": {Says: "not_ours", Stated: casework.Stated{Fact: json.RawMessage("1")}}}}, nil},
		{"answer with a name in the clear", "office", casework.Answered{Answers: map[string]casework.Answer{"symptoms": {Says: "not_ours", By: "Somebody"}}}, nil},
		{"dispute that is none", "intake", casework.DisputeTaken{Fact: "symptoms"}, nil},
		{"two disputes", "office", casework.Answered{Answers: map[string]casework.Answer{"symptoms": {Says: "disagrees", Note: ref, By: ref}, "hematocrit": {Says: "disagrees", Note: ref}}},
			func(c *casework.Case) bool {
				return fmt.Sprint(c.Disputed()) == "[hematocrit symptoms]" && string(c.Facts["hematocrit"].Fact) == `{"page":"2"}`
			}},
		{"dispute taken", "intake", casework.DisputeTaken{Fact: "symptoms"}, func(c *casework.Case) bool {
			return c.Answers["symptoms"].Owner == "account-7" && c.Answers["hematocrit"].Owner == "" && len(c.Disputed()) == 2
		}},
		{"dispute settled without words", "intake", casework.DisputeSettled{Fact: "symptoms"}, nil},
		{"dispute settled", "intake", casework.DisputeSettled{Fact: "symptoms", Words: ref}, func(c *casework.Case) bool {
			return fmt.Sprint(c.Disputed()) == "[hematocrit]" && c.Answers["symptoms"].SettledBy == "account-7"
		}},
		{"dispute settled again", "intake", casework.DisputeSettled{Fact: "symptoms", Words: ref}, nil},
		{"dispute ends with another answer", "office", casework.Answered{Answers: map[string]casework.Answer{"hematocrit": {Says: "not_ours"}}},
			func(c *casework.Case) bool { return len(c.Disputed()) == 0 }},
		{"no answer", "office", casework.Answered{}, nil},
		{"critical told", "intake", casework.CriticalTold{Words: ref}, func(c *casework.Case) bool { return len(c.CriticalTold) == 1 }},
		{"critical told without words", "intake", casework.CriticalTold{}, nil},
		{"upload withdrawn without reason", "intake", casework.UploadWithdrawn{SHA256: shaA}, nil},
		{"upload withdrawn with a link that is none", "intake", casework.UploadWithdrawn{SHA256: shaA, Reason: ref, Links: []string{strings.Repeat("00", 32)}}, nil},
		{"another link", "intake", casework.LinkMade{SHA256: strings.Repeat("c1", 32), Role: "office", Expires: later, Code: shaA}, func(c *casework.Case) bool { _, ok := c.LinkAt(strings.Repeat("c1", 32), monday); return ok }},
		{"upload withdrawn, its link stopped", "intake", casework.UploadWithdrawn{SHA256: shaA, Reason: ref, Links: []string{strings.Repeat("c1", 32)}}, func(c *casework.Case) bool {
			_, opens := c.LinkAt(strings.Repeat("c1", 32), monday)
			return c.Uploads[0].Withdrawn && !opens
		}},
		{"session of a withdrawn upload", "intake", casework.SessionChosen{SHA256: shaA, Session: 1}, nil},
		{"upload added again", "tester", casework.UploadAdded{SHA256: shaA, Size: 3}, func(c *casework.Case) bool { return len(c.Uploads) == 1 && !c.Uploads[0].Withdrawn }},
		{"document", "intake", casework.DocumentAdded{SHA256: shaA, Size: 3, Media: "image/tiff", Is: "report", Pages: 2, Printed: ref, For: []string{"hematocrit"}},
			func(c *casework.Case) bool {
				return len(c.Documents) == 1 && c.Documents[0].Pages == 2 && c.Documents[0].For[0] == "hematocrit" && len(c.Uploads) == 1
			}},
		{"document twice", "intake", casework.DocumentAdded{SHA256: shaA, Size: 3, Media: "image/tiff", Is: "report", Pages: 2}, nil},
		{"document without hash", "intake", casework.DocumentAdded{SHA256: "ABC", Media: "image/tiff", Is: "report", Pages: 2}, nil},
		{"document of no kind", "intake", casework.DocumentAdded{SHA256: strings.Repeat("00", 32), Media: "image/tiff", Is: "letter", Pages: 2}, nil},
		{"document without pages", "intake", casework.DocumentAdded{SHA256: strings.Repeat("00", 32), Media: "image/tiff", Is: "report"}, nil},
		{"document without media type", "intake", casework.DocumentAdded{SHA256: strings.Repeat("00", 32), Is: "report", Pages: 1}, nil},
		{"document that names somebody", "intake", casework.DocumentAdded{SHA256: strings.Repeat("00", 32), Media: "image/tiff", Is: "report", Pages: 1, Printed: "Somebody"}, nil},
		{"document withdrawn without reason", "intake", casework.DocumentWithdrawn{SHA256: shaA}, nil},
		{"no such document", "intake", casework.DocumentWithdrawn{SHA256: strings.Repeat("00", 32), Reason: ref}, nil},
		{"document withdrawn", "intake", casework.DocumentWithdrawn{SHA256: shaA, Reason: ref}, func(c *casework.Case) bool { return c.Documents[0].Withdrawn }},
		{"document withdrawn again", "intake", casework.DocumentWithdrawn{SHA256: shaA, Reason: ref}, nil},
		{"document added again", "office", casework.DocumentAdded{SHA256: shaA, Size: 3, Media: "image/tiff", Is: "order", Pages: 2},
			func(c *casework.Case) bool {
				return len(c.Documents) == 1 && !c.Documents[0].Withdrawn && c.Documents[0].Kind == "order"
			}},
		{"destroyed while open", "system", casework.Destroyed{Reason: "retention"}, nil},
		{"reopened while open", "intake", casework.Reopened{}, nil},
		{"opened again", "intake", casework.Opened{Criteria: []string{"xx-example"}}, nil},
		{"closed", "intake", casework.Closed{}, func(c *casework.Case) bool { return c.ClosedAt.Equal(monday) }},
		{"facts of a closed case", "intake", casework.FactsStated{Facts: map[string]casework.Stated{"custody": {Fact: json.RawMessage("1")}}}, nil},
		{"viewed when closed", "intake", casework.Viewed{}, func(c *casework.Case) bool { return c.Edited == c.K-1 }},
		{"reopened", "intake", casework.Reopened{}, func(c *casework.Case) bool { return c.ClosedAt.IsZero() }},
		{"closed again", "intake", casework.Closed{}, func(c *casework.Case) bool { return !c.ClosedAt.IsZero() }},
		{"destroyed without reason", "system", casework.Destroyed{}, nil},
		{"destroyed", "system", casework.Destroyed{Reason: "retention"}, func(c *casework.Case) bool { return !c.DestroyedAt.IsZero() }},
		{"reopened when destroyed", "intake", casework.Reopened{}, nil},
	}
	for _, step := range steps {
		before, err := c.StateHash()
		must(t, err)
		k := c.K
		err = c.Append(t.Context(), s, stamp(step.role), step.change)
		if step.ok == nil {
			after, hashErr := c.StateHash()
			must(t, hashErr)
			if !errors.Is(err, casework.ErrRefused) || c.K != k || before != after {
				t.Errorf("%s: expected a refusal that leaves the case as it is, got %v, event %d", step.name, err, c.K)
			}
			continue
		}
		if err != nil || !step.ok(c) {
			t.Fatalf("%s: %v, case %+v", step.name, err, c)
		}
		read, err := casework.Open(t.Context(), s, c.Number)
		if err != nil || !step.ok(read) || read.Hash != c.Hash {
			t.Fatalf("%s, read again: %v, case %+v", step.name, err, read)
		}
	}
	if err := c.Append(t.Context(), s, casework.Stamp{At: monday, Role: "intake"}, casework.Viewed{}); !errors.Is(err, casework.ErrRefused) {
		t.Errorf("an event by nobody: %v", err)
	}
}

// Apply must not write into the case that it is given: two changes may be
// tried on one case.
func TestApplyLeavesItsInputAlone(t *testing.T) {
	s := new(storetest.Memory)
	c := newCase(t, s)
	must(t, c.Append(t.Context(), s, stamp("intake"), casework.FactsStated{Facts: map[string]casework.Stated{"a": {Fact: json.RawMessage("1")}}}))
	must(t, c.Append(t.Context(), s, stamp("tester"), casework.UploadAdded{SHA256: shaA, Size: 3}))
	must(t, c.Append(t.Context(), s, stamp("intake"), casework.DocumentAdded{SHA256: shaA, Size: 3, Media: "image/png", Is: "report", Pages: 1}))
	before, err := json.Marshal(c)
	must(t, err)
	for _, e := range []casework.Event{
		{Kind: casework.KindFactsStated, Change: json.RawMessage(`{"facts":{"a":{"fact":2}}}`)},
		{Kind: casework.KindFactWithdrawn, Change: json.RawMessage(`{"name":"a"}`)},
		{Kind: casework.KindSessionChosen, Change: json.RawMessage(`{"sha256":"` + shaA + `","session":3}`)},
		{Kind: casework.KindAnswered, Change: json.RawMessage(`{"answers":{"a":{"says":"located","stated":{"fact":3}}}}`)},
		{Kind: casework.KindDocumentWithdrawn, Change: json.RawMessage(`{"sha256":"` + shaA + `","reason":"` + shaA + `"}`)},
		{Kind: casework.KindDocumentAdded, Change: json.RawMessage(`{"sha256":"` + strings.Repeat("00", 32) + `","size":1,"media":"image/png","kind":"note","pages":1}`)},
	} {
		e.Case, e.K, e.At, e.By, e.Role = c.Number, c.K+1, monday, "account-7", "intake"
		if _, err := casework.Apply(*c, e); err != nil {
			t.Fatal(err)
		}
	}
	after, err := json.Marshal(c)
	must(t, err)
	if !bytes.Equal(before, after) {
		t.Errorf("before %s\nafter  %s", before, after)
	}
}

// Changes that a store may hold and this program must not guess at.
func TestApplyRefuses(t *testing.T) {
	base := casework.Event{Case: "2603-X", K: 1, At: monday, By: "a", Role: "intake", Kind: casework.KindOpened, Change: json.RawMessage(`{"criteria":["x"]}`)}
	if _, err := casework.Apply(casework.Case{}, base); err != nil {
		t.Fatal(err)
	}
	for name, alter := range map[string]func(e *casework.Event){
		"unknown kind":   func(e *casework.Event) { e.Kind = "sold" },
		"unknown member": func(e *casework.Event) { e.Change = json.RawMessage(`{"criteria":["x"],"payer":"y"}`) },
		"no change":      func(e *casework.Event) { e.Change = nil },
		"two values":     func(e *casework.Event) { e.Change = json.RawMessage(`{"criteria":["x"]}{}`) },
		"deep nesting":   func(e *casework.Event) { e.Change = json.RawMessage(strings.Repeat("[", 1<<20)) },
		"no criteria":    func(e *casework.Event) { e.Change = json.RawMessage(`{"criteria":[]}`) },
		"event 2 first":  func(e *casework.Event) { e.K = 2 },
		"no case":        func(e *casework.Event) { e.Case = "" },
		"no instant":     func(e *casework.Event) { e.At = time.Time{} },
		"no role":        func(e *casework.Event) { e.Role = "" },
		"not opened":     func(e *casework.Event) { e.Kind, e.Change = casework.KindViewed, json.RawMessage(`{"page":""}`) },
	} {
		e := base
		alter(&e)
		if c, err := casework.Apply(casework.Case{}, e); !errors.Is(err, casework.ErrRefused) || c.K != 0 {
			t.Errorf("%s: case %+v, error %v", name, c, err)
		}
	}
}

// The chain in testdata was written by an earlier run of this program and is
// never written anew: what was stored once must verify in every later version.
// The hashes were recomputed with jq and sha256sum, as testdata/README.md
// tells, so that the rule of Event.Sum is checked against another hand.
func TestStoredChain(t *testing.T) {
	data, err := os.ReadFile(filepath.Join("testdata", "chain.jsonl"))
	must(t, err)
	var events []casework.Event
	kinds := map[casework.Kind]bool{}
	for line := range bytes.Lines(data) {
		var e casework.Event
		must(t, json.Unmarshal(line, &e))
		events = append(events, e)
		kinds[e.Kind] = true
	}
	must(t, casework.Verify(events))
	if len(events) != 19 || len(kinds) != 18 {
		t.Fatalf("%d events of %d kinds", len(events), len(kinds))
	}
	for k, want := range map[int]string{
		1:  "cedc0aa238336baf2090fc70c046f8dac81c885654f2bb040b186c50a50324ac",
		9:  "7dd34128d02e31ad99241333eba0f93980111a6ef3aaf16cec7e250145bea62d",
		19: "335d21ef14aba4655543cc3c607bd7fe0ade8dfb85dad630e1942107fda7ba71",
	} {
		if got := events[k-1].Hash; got != want {
			t.Errorf("event %d has the hash %s, sha256sum gives %s", k, got, want)
		}
	}
	if want := "384161ac20d20a62e9a753efbae94b8bf7d98399de41d6def2d54c475d186048"; events[0].State != want {
		t.Errorf("the state after event 1 has the hash %s, sha256sum gives %s", events[0].State, want)
	}
}

func storedChain(t *testing.T, name string) []casework.Event {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("testdata", name))
	must(t, err)
	var events []casework.Event
	for line := range bytes.Lines(data) {
		var e casework.Event
		must(t, json.Unmarshal(line, &e))
		events = append(events, e)
	}
	must(t, casework.Verify(events))
	return events
}

// Codes of links, judged spans, disputes and copies.
func TestStoredChainOfLinks(t *testing.T) {
	events := storedChain(t, "links.jsonl")
	kinds := map[casework.Kind]bool{}
	for _, e := range events {
		kinds[e.Kind] = true
	}
	if len(events) != 11 || !kinds[casework.KindLinkTried] || !kinds[casework.KindSpansJudged] || !kinds[casework.KindDisputeTaken] || !kinds[casework.KindDisputeSettled] {
		t.Fatalf("%d events of the kinds %v", len(events), kinds)
	}
	// As jq and sha256sum give it.
	if want := "75b59ceb5e6f0e61c3365b3045068a0744861a3ef3208ed5654fd895bd94f93f"; events[10].Hash != want {
		t.Errorf("event 11 has the hash %s, sha256sum gives %s", events[10].Hash, want)
	}
}

// The same of the kinds that came later, each in a file of its own.
func TestStoredChainOfDocuments(t *testing.T) {
	events := storedChain(t, "documents.jsonl")
	if len(events) != 4 || events[1].Kind != casework.KindDocumentAdded || events[3].Kind != casework.KindDocumentWithdrawn {
		t.Fatalf("%d events", len(events))
	}
	// As jq and sha256sum give it.
	if want := "c7250a98f3744de2f1749d700f5267ea59d71be0f80c36acfbc2c661b0842ddf"; events[3].Hash != want {
		t.Errorf("event 4 has the hash %s, sha256sum gives %s", events[3].Hash, want)
	}
}

// Any change to any member of any event must be found, and be told of the
// first event that it breaks.
func TestVerifyNamesTheFirstBrokenEvent(t *testing.T) {
	s := new(storetest.Memory)
	c := newCase(t, s)
	for i := range 4 {
		must(t, c.Append(t.Context(), s, stamp("intake"), casework.FactsStated{Facts: map[string]casework.Stated{fmt.Sprint("f", i): {Fact: json.RawMessage(`{"n": 1.50}`)}}}))
	}
	sound, err := s.Events(t.Context(), c.Number, 1)
	must(t, err)
	must(t, casework.Verify(sound))
	// White space is not content: a store may lay JSON out anew.
	spaced := append([]casework.Event(nil), sound...)
	spaced[2].Change = json.RawMessage(strings.ReplaceAll(string(spaced[2].Change), ":", " : "))
	must(t, casework.Verify(spaced))

	resum := func(e *casework.Event) {
		sum, err := e.Sum()
		must(t, err)
		e.Hash = sum
	}
	tests := map[string]struct {
		alter func(ev []casework.Event) []casework.Event
		first int
	}{
		"case":    {func(ev []casework.Event) []casework.Event { ev[2].Case = "other"; return ev }, 3},
		"instant": {func(ev []casework.Event) []casework.Event { ev[2].At = monday.Add(time.Millisecond); return ev }, 3},
		"person":  {func(ev []casework.Event) []casework.Event { ev[2].By = "account-8"; return ev }, 3},
		"role":    {func(ev []casework.Event) []casework.Event { ev[2].Role = "office"; return ev }, 3},
		"kind":    {func(ev []casework.Event) []casework.Event { ev[2].Kind = casework.KindViewed; return ev }, 3},
		"change": {func(ev []casework.Event) []casework.Event {
			ev[2].Change = json.RawMessage(`{"facts":{"f1":{"fact":{"n":1.5}}}}`)
			return ev
		}, 3},
		"change, no JSON": {func(ev []casework.Event) []casework.Event { ev[2].Change = json.RawMessage(`{`); return ev }, 3},
		"prev":            {func(ev []casework.Event) []casework.Event { ev[2].Prev = ev[2].Hash; return ev }, 3},
		"state":           {func(ev []casework.Event) []casework.Event { ev[2].State = ev[1].State; return ev }, 3},
		"hash":            {func(ev []casework.Event) []casework.Event { ev[2].Hash = ev[1].Hash; return ev }, 3},
		"first removed":   {func(ev []casework.Event) []casework.Event { return ev[1:] }, 1},
		"middle removed":  {func(ev []casework.Event) []casework.Event { return append(ev[:2], ev[3:]...) }, 3},
		"two exchanged":   {func(ev []casework.Event) []casework.Event { ev[2], ev[3] = ev[3], ev[2]; return ev }, 3},
		"none":            {func(ev []casework.Event) []casework.Event { return nil }, 1},
		"change with its hash made anew": {func(ev []casework.Event) []casework.Event {
			ev[2].Change = json.RawMessage(`{"facts":{"f1":{"fact":9}}}`)
			resum(&ev[2])
			return ev
		}, 3}, // the state no longer fits
		"person with its hash made anew": {func(ev []casework.Event) []casework.Event {
			ev[4].By, ev[4].Kind, ev[4].Change = "account-8", casework.KindFactWithdrawn, json.RawMessage(`{"name":"none"}`)
			resum(&ev[4])
			return ev
		}, 5}, // the change does not apply
	}
	for name, tt := range tests {
		err := casework.Verify(tt.alter(append([]casework.Event(nil), sound...)))
		var broken *casework.ChainError
		if !errors.As(err, &broken) || broken.K != tt.first {
			t.Errorf("%s: expected event %d to be named, got %v", name, tt.first, err)
		}
	}
}

// A sealed value must open with the standard library's AES-GCM as the comment
// of Seal says, and with nothing else.
func TestSeal(t *testing.T) {
	s := new(storetest.Memory)
	ctx := t.Context()
	c := newCase(t, s)
	value := []byte("Invented Name")
	ref, err := c.Seal(ctx, s, random(3), value)
	must(t, err)
	again, err := c.Seal(ctx, s, random(4), value)
	must(t, err)
	if ref == again {
		t.Error("the same value sealed twice looks the same: it could be recognised")
	}
	sealed, err := s.Personal(ctx, c.Number, string(ref))
	must(t, err)
	key, err := s.Key(ctx, c.Number)
	must(t, err)
	block, err := aes.NewCipher(key)
	must(t, err)
	gcm, err := cipher.NewGCM(block)
	must(t, err)
	open, err := gcm.Open(nil, sealed[:12], sealed[12:], []byte(c.Number))
	if err != nil || !bytes.Equal(open, value) || len(key) != 32 {
		t.Errorf("opened %q with a key of %d bytes: %v", open, len(key), err)
	}
	got, err := c.Reveal(ctx, s, ref)
	if err != nil || !bytes.Equal(got, value) {
		t.Errorf("revealed %q: %v", got, err)
	}

	// A value moved from another case, and one altered in the store.
	other := &casework.Case{Number: "other", K: 1}
	must(t, s.PutPersonal(ctx, "other", string(ref), sealed))
	must(t, s.PutKey(ctx, "other", key))
	if _, err := other.Reveal(ctx, s, ref); !errors.Is(err, casework.ErrHash) {
		t.Errorf("a value of another case opened: %v", err)
	}
	sealed[len(sealed)-1] ^= 1
	must(t, s.PutPersonal(ctx, c.Number, string(ref), sealed))
	if _, err := c.Reveal(ctx, s, ref); !errors.Is(err, casework.ErrHash) {
		t.Errorf("an altered value opened: %v", err)
	}
	if _, err := c.Reveal(ctx, s, casework.Ref(shaA)); !errors.Is(err, casework.ErrNotFound) {
		t.Errorf("a value that is not there: %v", err)
	}
	if _, err := new(casework.Case).Seal(ctx, s, random(3), value); !errors.Is(err, casework.ErrRefused) {
		t.Errorf("sealed for a case that is not opened: %v", err)
	}
	if _, err := c.Seal(ctx, s, strings.NewReader("short"), value); err == nil {
		t.Error("sealed without enough random bytes")
	}
}

func TestNumber(t *testing.T) {
	r := random(9)
	for range 200 {
		n, err := casework.NewNumber(monday, r)
		must(t, err)
		if !strings.HasPrefix(n, "2603-") || len(n) != 11 {
			t.Fatalf("number %q", n)
		}
		for _, typed := range []string{n, strings.ToLower(n), " " + n + "\n", strings.Replace(n, "-", "", 1)} {
			if got, err := casework.ParseNumber(typed); err != nil || got != n {
				t.Fatalf("%q read as %q: %v", typed, got, err)
			}
		}
		// Every single wrong symbol and every exchange of unequal neighbours.
		for i := range len(n) {
			if n[i] == '-' {
				continue
			}
			for _, c := range []byte("0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ") {
				if wrong := n[:i] + string(c) + n[i+1:]; wrong != n {
					if _, err := casework.ParseNumber(wrong); err == nil {
						t.Fatalf("%s passes for %s", wrong, n)
					}
				}
			}
			bare := []byte(strings.Replace(n, "-", "", 1))
			if i < len(bare)-1 && bare[i] != bare[i+1] {
				bare[i], bare[i+1] = bare[i+1], bare[i]
				if _, err := casework.ParseNumber(string(bare)); err == nil {
					t.Fatalf("%s passes for %s", bare, n)
				}
			}
		}
	}
	for _, s := range []string{"", "-", "2603", "2603-", strings.Repeat("2", 1<<20), "２６０３-7KQ4X2"} {
		if _, err := casework.ParseNumber(s); err == nil || len(err.Error()) > 300 {
			t.Errorf("%.20q: %v", s, err)
		}
	}
	if _, err := casework.NewNumber(monday, strings.NewReader("")); err == nil {
		t.Error("a number without random bytes")
	}
	if _, err := casework.Create(t.Context(), new(storetest.Memory), "2603-AAAAAA", stamp("intake"), casework.Opened{Criteria: []string{"x"}}); err == nil {
		t.Error("a case under a number that is none")
	}
}

// Update decides anew when somebody only looked, and gives up when decide
// finds that the case changed.
func TestUpdate(t *testing.T) {
	s := new(storetest.Memory)
	c := newCase(t, s)
	seen, asked := c.Edited, 0
	state := casework.FactsStated{Facts: map[string]casework.Stated{"a": {Fact: json.RawMessage("1")}}}
	decide := func(now *casework.Case) (casework.Change, error) {
		if asked++; asked == 1 { // somebody looks in between
			must(t, c.Append(t.Context(), s, stamp("administrator"), casework.Viewed{Page: "list"}))
		}
		if now.Edited != seen {
			return nil, casework.ErrConflict
		}
		return state, nil
	}
	got, err := casework.Update(t.Context(), s, c.Number, stamp("intake"), decide)
	if err != nil || asked != 2 || got.K != 3 || got.Edited != 3 {
		t.Fatalf("asked %d times, case %+v: %v", asked, got, err)
	}
	if _, err := casework.Update(t.Context(), s, c.Number, stamp("intake"), decide); !errors.Is(err, casework.ErrConflict) {
		t.Errorf("a change that rests on an older case: %v", err)
	}
	if _, err := casework.Update(t.Context(), s, "none", stamp("intake"), decide); !errors.Is(err, casework.ErrNotFound) {
		t.Errorf("a case that is not there: %v", err)
	}
}

// headless is a store whose list of cases cannot be written.
type headless struct{ *storetest.Memory }

func (headless) PutHead(context.Context, casework.Head) error { return errors.New("disk full") }

// When only the list of cases fails, the caller learns that the event is
// stored, and RebuildHeads mends the list.
func TestHeadCannotBeWritten(t *testing.T) {
	s := new(storetest.Memory)
	number, err := casework.NewNumber(monday, random(1))
	must(t, err)
	_, err = casework.Create(t.Context(), headless{s}, number, stamp("intake"), casework.Opened{Criteria: []string{"x"}})
	if !errors.Is(err, casework.ErrHead) {
		t.Fatalf("error %v", err)
	}
	must(t, casework.RebuildHeads(t.Context(), s))
	heads, _, err := s.Heads(t.Context(), "", 10)
	if err != nil || len(heads) != 1 || heads[0].Case != number {
		t.Errorf("heads %+v: %v", heads, err)
	}
}

func FuzzApply(f *testing.F) {
	data, err := os.ReadFile(filepath.Join("testdata", "chain.jsonl"))
	if err != nil {
		f.Fatal(err)
	}
	more, err := os.ReadFile(filepath.Join("testdata", "documents.jsonl"))
	if err != nil {
		f.Fatal(err)
	}
	for line := range bytes.Lines(append(data, more...)) {
		f.Add([]byte(line))
	}
	f.Fuzz(func(t *testing.T, line []byte) {
		var e casework.Event
		if json.Unmarshal(line, &e) != nil {
			return
		}
		c := casework.Case{Number: e.Case, K: e.K - 1}
		next, err := casework.Apply(c, e)
		if err != nil && next.K != 0 {
			t.Errorf("a case beside the error %v", err)
		}
		if err == nil {
			if _, err := next.StateHash(); err != nil {
				t.Errorf("a case that has no hash: %v", err)
			}
		}
	})
}
