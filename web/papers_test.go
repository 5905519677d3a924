package web

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"airwarrant/qualify/casework/storetest"
)

// A paper of the chart is taken whatever the footing of the test, for an order
// may be that footing; the report of the test is not, and not a byte of it.
func TestPapersOfTheChart(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := v.open(medicare, merrin)
	b.wants(v.page(address), "No order and no note is on the case.")
	papers := address + "/papers"
	add := func(more map[string]string) *visitor {
		t.Helper()
		v.upload(papers, papers, DemoFax(), more)
		return v
	}
	order := map[string]string{"kind": "order", "name": "Ada Merrin", "birth": "1951-05-04", "date": "2026-02-02", "page": "3 of 12", "by": "Dr. Osei"}
	but := func(key, value string) map[string]string {
		out := map[string]string{}
		for k, val := range order {
			out[k] = val
		}
		out[key] = value
		return out
	}
	for _, tt := range []struct {
		more map[string]string
		want string
	}{
		{but("kind", ""), "Choose what the paper is"}, {but("name", ""), "say that the paper prints none"}, {but("date", ""), "Expected the date of the paper"},
		{but("birth", "4.5.51"), "4.5.51"}, {but("page", strings.Repeat("x", 401)), "at most 400 letters"},
	} {
		b.wants(add(tt.more).last, "The paper was not stored", tt.want, "Choose the same file again")
	}
	if w := v.upload(papers, papers, nil, order); w.Code != http.StatusUnprocessableEntity {
		t.Errorf("no file: status %d", w.Code)
	}
	if w := v.upload(papers, papers, []byte("no picture"), order); w.Code != http.StatusUnprocessableEntity {
		t.Errorf("no picture: status %d", w.Code)
	}
	if w := v.upload(papers, papers, DemoFax(), but("kind", "report")); w.Code != http.StatusForbidden {
		t.Errorf("a report by this way: status %d, want 403", w.Code)
	}
	if w := v.upload(papers, papers, DemoFax(), order); w.Code != http.StatusSeeOther {
		t.Fatalf("status %d: %s", w.Code, text(v.last))
	}
	title := "order " + short(faxHash())
	b.wants(v.page(papers), title, "Ada Merrin, born May 4, 1951; of Feb 2, 2026; page 3 of 12; signed by Dr. Osei")
	b.wants(v.page(address), "On the case: "+title+" (Feb 2, 2026).")
	if w := v.get(address + "/documents/" + short(faxHash())); w.Code != http.StatusOK || v.last != string(DemoFax()) {
		t.Errorf("as it came: status %d, %d bytes", w.Code, len(v.last))
	}
	b.wants(v.page(address+"/trail"), "looked at: papers", "document added: order")

	v.page(papers)
	if w := v.post(address+"/documents/withdraw", url.Values{"back": {"papers"}, "sha256": {faxHash()}}); w.Code != http.StatusUnprocessableEntity {
		t.Errorf("withdrawn without a reason: status %d", w.Code)
	}
	b.wants(v.last, "Expected the reason for withdrawing the document", "On the case")
	b.wants(v.send(papers, address+"/documents/withdraw", url.Values{"back": {"papers"}, "sha256": {faxHash()}, "reason": {"another patient's"}}), "withdrawn")
	if w := v.get(address + "/documents/" + short(faxHash())); w.Code == http.StatusOK {
		t.Errorf("a withdrawn paper is still served: status %d", w.Code)
	}
}

// A report that a footing let in is not shown once the footing is taken back,
// while the papers of the chart are.
func TestReportIsNotReadAmongPapers(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := b.ready(v)
	document := b.addFax(v, address)
	b.lacks(v.page(address+"/papers"), "may not be read here")
	v.send(address, address+"/custody", custody("none"))
	b.wants(v.page(address+"/papers"), "may not be read here on the footing stated")
	if w := v.get(address + "/documents/" + document); w.Code != http.StatusForbidden {
		t.Errorf("status %d, want 403", w.Code)
	}
}

// A note that an intake adds is the copy of what was located in the chart.
func TestPaperIsACopy(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	v := b.at(Intake)
	address := b.demoAddress("Ada Merrin")
	papers := address + "/papers"
	v.page(papers)
	of := "evaluated_by_treating_practitioner"
	if !strings.Contains(v.last, `name="for" value="`+of+`"`) {
		t.Fatalf("what stands in the chart without a copy is not offered:\n%s", text(v.last))
	}
	if w := v.upload(papers, papers, DemoFax(), map[string]string{"kind": "note", "name": "Ada Merrin", "date": "2026-02-13", "for": of}); w.Code != http.StatusSeeOther {
		t.Fatalf("status %d: %s", w.Code, text(v.last))
	}
	b.wants(v.page(papers), "note "+short(faxHash()), meaningOf(of))
	if strings.Contains(v.last, `name="for" value="`+of+`"`) {
		t.Error("the copy is on file, and it is still asked for")
	}
}

// A paper that has to be on file is seen in its copy, whether the office said
// where it stands or nobody did; a later word, or the paper's withdrawal,
// undoes that.
func TestPaperOnFileIsSeen(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	v := b.at(Intake)
	address := b.demoAddress("Ada Merrin")
	papers := address + "/papers"
	state := func(item string) string {
		t.Helper()
		f, err := b.open(t.Context(), strings.TrimPrefix(address, "/cases/"))
		if err != nil {
			t.Fatal(err)
		}
		ev, err := b.evaluate(t.Context(), f)
		if err != nil {
			t.Fatal(err)
		}
		for _, o := range ev.Determinations[0].OnFile {
			if o.Fact == item {
				return o.State
			}
		}
		t.Fatalf("the criteria do not ask for %s", item)
		return ""
	}
	if got := state("written_order"); got != "missing" {
		t.Fatalf("before: %s", got)
	}
	// A form that is refused keeps what was chosen.
	v.upload(papers, papers, DemoFax(), map[string]string{"kind": "order", "name": "Ada Merrin", "for": "written_order"})
	if !strings.Contains(v.last, `name="for" value="written_order" checked`) {
		t.Errorf("the choice is lost on an error:\n%s", v.last)
	}
	order := map[string]string{"kind": "order", "name": "Ada Merrin", "date": "2026-02-03", "page": "3 of 12", "for": "written_order"}
	if w := v.upload(papers, papers, DemoFax(), order); w.Code != http.StatusSeeOther {
		t.Fatalf("status %d: %s", w.Code, text(v.last))
	}
	if got := state("written_order"); got != "seen" {
		t.Errorf("with its copy: %s", got)
	}
	page := v.page(address)
	b.wants(page, "order, Feb 3, 2026, page 3 of 12; copy on file: order "+short(faxHash()), "seen in the paper itself")
	if strings.Contains(page, `name="v.written_order" value="true"`) && !strings.Contains(page, `id="s-written_order`) {
		t.Error("it is still asked where the order is")
	}
	v.send(papers, address+"/documents/withdraw", url.Values{"back": {"papers"}, "sha256": {faxHash()}, "reason": {"another patient's"}})
	if got := state("written_order"); got != "missing" {
		t.Errorf("after its withdrawal: %s", got)
	}

	// What somebody says after the copy came stands over it.
	if w := v.upload(papers, papers, DemoFax(), order); w.Code != http.StatusSeeOther {
		t.Fatalf("status %d: %s", w.Code, text(v.last))
	}
	v.send(address, address+"/facts", url.Values{"part": {"stated"}, "v.written_order": {"false"}})
	if got := state("written_order"); got != "missing" {
		t.Errorf("said to be missing after the copy came: %s", got)
	}
	b.wants(v.page(papers), meaningOf("written_order"))
}

// The signed report of the test names what it is the copy of too.
func TestReportIsTheCopyOfItsItem(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	v := b.at(Intake)
	address := b.demoAddress("Ada Merrin")
	report := address + "/report"
	v.page(report)
	if !strings.Contains(v.last, `name="for" value="test_report"`) {
		t.Fatalf("the form of the report does not ask of what it is the copy:\n%s", text(v.last))
	}
	w := v.upload(report, address+"/documents", DemoFax(), map[string]string{"kind": "report", "name": "Ada Merrin", "date": "2026-02-12", "for": "test_report"})
	if w.Code != http.StatusSeeOther {
		t.Fatalf("status %d: %s", w.Code, text(v.last))
	}
	b.wants(v.page(address), "copy on file: report "+short(faxHash()))
	if v.page(report); strings.Contains(v.last, `name="for" value="test_report"`) {
		t.Error("the report is on file, and its copy is still asked for")
	}
	// A name that is no fact of the criteria is not written down.
	other := b.demoAddress("Cassius Penhallow")
	if w := v.upload(other+"/papers", other+"/papers", DemoFax(), map[string]string{"kind": "note", "name": "Cassius Penhallow", "date": "2026-03-14", "for": "birth_date"}); w.Code != http.StatusSeeOther {
		t.Fatalf("status %d: %s", w.Code, text(v.last))
	}
	f, err := b.open(t.Context(), strings.TrimPrefix(other, "/cases/"))
	if err != nil {
		t.Fatal(err)
	}
	if len(f.Documents) != 1 || len(f.Documents[0].For) != 0 {
		t.Errorf("documents %+v", f.Documents)
	}
}

// A paper that is here has a date that has come, where it was written at least.
func TestPaperOfADayToCome(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := v.open(medicare, merrin)
	for day, status := range map[string]int{"2026-06-03": http.StatusUnprocessableEntity, "2026-06-02": http.StatusSeeOther} {
		v.page(address + "/papers")
		if w := v.sendParts(address+"/papers", map[string]string{"form": v.token(), "kind": "order", "name": merrin.Name, "date": day}, "document", DemoFax()); w.Code != status {
			t.Errorf("%s: status %d, want %d: %s", day, w.Code, status, text(v.last))
		}
		if status == http.StatusUnprocessableEntity {
			b.wants(v.last, "Expected a date that has come")
		}
	}
}
