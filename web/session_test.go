package web

import (
	"encoding/json"
	"fmt"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"airwarrant/qualify/casework/storetest"
)

func TestSessionIsChosen(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	v := b.at(Intake)
	address := b.demoAddress("Marama Tidewell")
	b.wants(v.page(address), "Which session is this patient's test?", "5 May 2026 Tuesday 22:00:00", "6 May 2026 Wednesday 22:14:00", "6 h 00 min", "5 h 30 min")
	b.lacks(v.last, "another recording")
	for _, no := range []string{"", "0", "3", "-1"} {
		if r := v.post(address+"/session", url.Values{"session": {no}}); r.Code != 422 {
			t.Errorf("session %q: status %d, want 422", no, r.Code)
		}
	}
	page := v.send(address, address+"/session", url.Values{"session": {"2"}})
	b.wants(page, "1 another recording", "6 May 2026 Wednesday 22:14:00", "<svg")
	b.lacks(page, "5 May 2026 Tuesday")
	b.wants(v.page(address+"/trail"), "session 2")
	page = v.send(address, address+"/session", url.Values{"again": {"1"}})
	b.wants(page, "Which session is this patient's test?", "5 May 2026 Tuesday 22:00:00")
	b.lacks(page, "<svg")
}

// twoNights is a night of another person before this patient's, in one download:
// its dates, its figures and its marks can all be told apart.
func twoNights() []byte {
	var b strings.Builder
	b.WriteString("Time,SpO2,Pulse,Event\n")
	for _, n := range []struct {
		start time.Time
		base  int
		mark  string
	}{{time.Date(2026, 2, 7, 21, 13, 0, 0, time.UTC), 71, "cuff of another"}, {time.Date(2026, 2, 10, 22, 30, 0, 0, time.UTC), 86, "cuff of ours"}} {
		for i := range 900 {
			mark := ""
			if i == 450 {
				mark = n.mark
			}
			fmt.Fprintf(&b, "%s,%d,%d,%s\n", n.start.Add(time.Duration(i)*4*time.Second).Format("2006-01-02 15:04:05"), n.base+i%6, 60+i%5, mark)
		}
	}
	return []byte(b.String())
}

// Of a night that was not chosen nothing is served, in any form.
func TestOtherNightsAreNotServed(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := b.ready(v)
	if w := v.upload(address, address+"/recording", twoNights(), nil); w.Code != 303 {
		t.Fatalf("status %d: %s", w.Code, text(v.last))
	}
	data := func() (r struct {
		Recordings []struct {
			Sessions []struct {
				Start  string
				Number int
			}
			Marks  []struct{ Text string }
			Others int `json:"other_recordings"`
		}
		Analysis *struct {
			Session int
			Nadir   struct{ Low json.Number }
		}
	}) {
		t.Helper()
		if err := json.Unmarshal([]byte(v.page(address+"/worksheet.json")), &r); err != nil {
			t.Fatal(err)
		}
		return r
	}
	// Before one is chosen the page lists them for the choice, and nothing else does.
	b.wants(v.page(address), "Feb 7, 2026 Saturday 21:13:00", "Feb 10, 2026 Tuesday 22:30:00")
	if r := data(); len(r.Recordings[0].Sessions) != 0 || len(r.Recordings[0].Marks) != 0 || r.Recordings[0].Others != 2 || r.Analysis != nil {
		t.Errorf("before the choice: %+v", r)
	}
	theirs := []string{"2026-02-07", "21:13", "cuff of another", "71 %", "\"71\""}
	ours := v.send(address, address+"/session", url.Values{"session": {"2"}})
	b.wants(ours, "1 another recording", "Feb 10, 2026 Tuesday 22:30:00", "1 h 00 min")
	b.lacks(ours, theirs[:4]...)
	r := data()
	rec := r.Recordings[0]
	if len(rec.Sessions) != 1 || rec.Sessions[0].Number != 2 || rec.Sessions[0].Start != "2026-02-10T22:30:00" || rec.Others != 1 || len(rec.Marks) != 1 || rec.Marks[0].Text != "cuff of ours" ||
		r.Analysis == nil || r.Analysis.Session != 2 || r.Analysis.Nadir.Low != "86" {
		t.Errorf("after the choice: %+v", r)
	}
	b.lacks(v.last, theirs[:3]...)
	for _, page := range []string{b.seenBy(Office, address), b.seenBy(Tester, address), v.page(address + "/trail")} {
		b.lacks(page, theirs[:4]...)
	}
	// What paper is made of holds no sample of another night.
	f := must(b.Site.open(t.Context(), strings.TrimPrefix(address, "/cases/")))
	ev := must(b.evaluate(t.Context(), f))
	if got := ev.Readings[0].Recording; len(got.Time) != 900 || slices.Min(got.SpO2) != 86 || len(got.Annotations) != 1 {
		t.Errorf("the recording behind the paper holds %d samples, lowest %d, marks %v", len(got.Time), slices.Min(got.SpO2), got.Annotations)
	}
	if w := v.get(address + "/worksheet.pdf"); w.Code != 200 {
		t.Errorf("paper: status %d", w.Code)
	}
	// The same night alone gives the same figures.
	single := b.ready(v)
	lines := strings.SplitAfter(string(twoNights()), "\n")
	v.upload(single, single+"/recording", []byte(lines[0]+strings.Join(lines[901:], "")), nil)
	both := v.page(address + "/worksheet.json")
	alone := v.page(single + "/worksheet.json")
	cut := func(s string) string {
		_, s, _ = strings.Cut(s, `"at_or_below"`)
		s, _, _ = strings.Cut(s, `"determinations"`)
		return s
	}
	if cut(both) != cut(alone) || len(cut(both)) < 1000 {
		t.Errorf("chosen out of two the night gives\n%.2000s\nalone\n%.2000s", cut(both), cut(alone))
	}
}

// A file of several persons blocks as a differing name does.
func TestSeveralPersonsBlock(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := b.ready(v)
	data := table("Patient name,Time,SpO2\n", 900, func(i int) string {
		return fmt.Sprintf("%s,2026-02-10 22:%02d:%02d,%d", []string{"Ada Merrin", "Bran Oake"}[i/450], i*4/60%60, i*4%60, 88+i%6)
	})
	if w := v.upload(address, address+"/recording", data, nil); w.Code != 303 {
		t.Fatalf("status %d: %s", w.Code, text(v.last))
	}
	b.wants(v.page(address), "several names or identifiers", "≠ differs", "Nothing is determined until somebody says in words")
	b.lacks(v.last, "<svg")
	if w := v.get(address + "/worksheet.json"); w.Code != 404 {
		t.Errorf("worksheet of several persons: status %d, want 404", w.Code)
	}
	page := v.send(address, address+"/same", url.Values{"words": {"The second name is the recorder's lender; seen on the order."}})
	b.wants(page, "<svg", "The second name is the recorder's lender")
}

// Dates that cannot be right are told on the page and in the data.
func TestDatesAreDoubted(t *testing.T) {
	for name, tt := range map[string]struct {
		start string
		say   string
	}{
		"in the future":       {"2031-01-05", "The recorder's clock dates the test 2031-01-05, after today, 2026-06-01"},
		"a clock nobody set":  {"2000-01-01", "The recording is dated 2000-01-01, as a clock shows it that nobody set"},
		"not the stated date": {"2026-02-12", "The recorder's clock dates the test 2026-02-12, the stated date is 2026-02-10"},
	} {
		b := newBench(t, &storetest.Memory{}, false)
		v := b.at(Intake)
		address := b.ready(v)
		data := table("Time,SpO2,Pulse\n", 900, func(i int) string {
			return fmt.Sprintf("%s 00:%02d:%02d,%d,%d", tt.start, i*4/60%60, i*4%60, 88+i%6, 60+i%4)
		})
		if w := v.upload(address, address+"/recording", data, nil); w.Code != 303 {
			t.Fatalf("%s: status %d: %s", name, w.Code, text(v.last))
		}
		b.wants(v.page(address), inWords(tt.say))
		b.wants(v.page(address+"/worksheet.json"), tt.say) // data keep 2024-03-13
	}
	// Tomorrow is no future: where the recorder's clock runs, the day may have begun.
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := b.ready(v)
	data := table("Time,SpO2,Pulse\n", 900, func(i int) string {
		return fmt.Sprintf("2026-06-02 00:%02d:%02d,%d,%d", i*4/60%60, i*4%60, 88+i%6, 60+i%4)
	})
	v.upload(address, address+"/recording", data, nil)
	b.lacks(v.page(address), "after today")
	page := v.send(address, address+"/custody", url.Values{"v.test_date": {"2026-07-01"}})
	b.wants(page, inWords("The stated date of the test, 2026-07-01, is after today, 2026-06-01"))
}

// No test is of a day after it came: such a date decides nothing, today or once
// it has come, and what settles it is asked. One that was stated beforehand
// stands as soon as the test itself comes.
func TestDateAfterTheTestCame(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	report := func(day string) string {
		address := v.open(medicare, merrin)
		form := custody("sent_by_tester")
		form.Set("v.test_date", day)
		v.send(address, address+"/custody", form)
		figures := answers()
		figures.Set("v.reported_minutes", "7.2")
		figures.Set("u.reported_minutes", "min")
		v.send(address, address+"/facts", figures)
		return address
	}
	b.wants(v.page(report("2026-06-02")), "✓ written criteria met") // where the patient lives the day may have begun
	address := report("2026-06-03")
	why := inWords("the stated date of the test, 2026-06-03, lies after the day on which the test came here, 2026-06-01")
	b.wants(v.page(address), "? undetermined", why)
	*b.clock = b.clock.AddDate(0, 0, 30)
	v = b.at(Intake)
	b.wants(v.page(address), "? undetermined", why)
	if r := v.get(address + "/worksheet.json"); !strings.Contains(r.Body.String(), `"fact": "test_date"`) {
		t.Error("the date of the test is not among what is needed")
	}
	// Corrected, it decides.
	b.wants(v.send(address, address+"/custody", url.Values{"v.test_date": {"2026-05-30"}}), "✓ written criteria met")

	// A recording that comes after the day that was stated for it.
	address = v.open(medicare, merrin)
	form := custody("order_on_file")
	form.Set("v.test_date", "2026-07-10")
	v.send(address, address+"/custody", form)
	v.send(address, address+"/facts", answers())
	*b.clock = b.clock.AddDate(0, 0, 20)
	v = b.at(Intake)
	night := table("Time,SpO2,Pulse\n", 2000, func(i int) string {
		at := time.Date(2026, 7, 10, 22, 0, 0, 0, time.UTC).Add(time.Duration(i) * 4 * time.Second)
		return fmt.Sprintf("%s,%d,%d", at.Format("2006-01-02 15:04:05"), 86+i%2, 60+i%4)
	})
	v.upload(address, address+"/recording", night, nil)
	b.lacks(v.page(address), "lies after the day on which")
	b.wants(v.last, "✓ written criteria met")

	// A birth date that has not come is a slip of the pen.
	v.page("/cases/new")
	if r := v.post("/cases/new", url.Values{"payer": {medicare}, "name": {"Ada Merrin"}, "birth": {"2051-05-04"}}); r.Code != 422 {
		t.Errorf("a birth date in the future: status %d, want 422", r.Code)
	}
	v.page(address)
	if r := v.post(address+"/patient", url.Values{"name": {"Ada Merrin"}, "birth": {"2051-05-04"}}); r.Code != 422 {
		t.Errorf("a correction to a birth date in the future: status %d, want 422", r.Code)
	}
	b.wants(v.last, "found one in the future")
}

// TestRefusedFileSaysWhyOnce: on the page of a file that was refused the reason
// stands at the form alone, on the case in the list of what came.
func TestRefusedFileSaysWhyOnce(t *testing.T) {
	b, _ := directBench(t)
	v := b.at(Intake)
	address := v.open(medicare, merrin)
	v.send(address, address+"/custody", custody("order_on_file"))
	for range 2 { // two files with the same fault
		id := v.ask(address, address+"/recording", nil)
		if out, err := b.arrive(id, nil); err != nil || out.State != ticketRefused {
			t.Fatalf("%+v, %v", out, err)
		}
		const why = "Expected a recording; found an empty file."
		others := strings.Count(v.page(address), why) - 1
		if n := strings.Count(v.page(address+"/arrivals/"+id), why); n != 1+others {
			t.Errorf("the reason stands %d times on the page of its file, beside %d other files", n, others)
		}
	}
}

var plainDay = regexp.MustCompile(`\d{4}-\d\d-\d\d`)

// inWords is a text with its days as a page for criteria of the United States
// writes them.
func inWords(text string) string {
	return plainDay.ReplaceAllStringFunc(text, func(day string) string {
		return must(time.Parse(time.DateOnly, day)).Format("Jan 2, 2006")
	})
}
