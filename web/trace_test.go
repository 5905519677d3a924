package web

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"airwarrant/qualify/casework/storetest"
)

// part reads the answer of a trace's address.
func (v *visitor) part(path string) tracePart {
	v.b.t.Helper()
	var p tracePart
	if err := json.Unmarshal([]byte(v.page(path)), &p); err != nil {
		v.b.t.Fatalf("%s: %v", path, err)
	}
	return p
}

// TestPartsOfATrace: the whole is what stands on the page, a part holds what
// the recording has there, and what cannot be drawn is refused.
func TestPartsOfATrace(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := b.ready(v)
	if w := v.upload(address, address+"/recording", twoNights(), nil); w.Code != http.StatusSeeOther {
		t.Fatalf("status %d: %s", w.Code, text(v.last))
	}
	if w := v.get(address + "/trace.json?trace=0"); w.Code != http.StatusNotFound {
		t.Errorf("before a session is chosen: status %d, want 404", w.Code)
	}
	page := v.send(address, address+"/session", url.Values{"session": {"2"}})
	b.wants(page, `data-traces="`+address+`/trace.json"`)
	whole := v.part(address + "/trace.json?trace=0")
	if !strings.Contains(v.page(address), whole.SVG) {
		t.Error("the whole is not the drawing of the page")
	}
	// 900 rows at 4 s from 22:30, 86 to 91 % in turn, pulse 60 to 64.
	if whole.From != 0 || whole.To != 3_600_000 || whole.Whole != 3_600_000 || whole.Shortest != 80_000 {
		t.Errorf("%d to %d of %d, shortest %d", whole.From, whole.To, whole.Whole, whole.Shortest)
	}
	p := v.part(address + "/trace.json?trace=0&from=400000&to=480000")
	if len(p.Readings) != 20 || p.From != 400_000 || p.To != 480_000 {
		t.Fatalf("%d readings, %d to %d", len(p.Readings), p.From, p.To)
	}
	// Row 101 stands at 22:36:44: 86 + 101 mod 6 and 60 + 101 mod 5.
	if got := fmt.Sprint(p.Readings[1][2:]); got != "[22:36:44 22:36:44 91 91 61 0]" {
		t.Errorf("row 101 is read as %s", got)
	}
	// Of the night of another nothing is served, whatever is asked.
	for _, ask := range []string{"from=-300000000&to=1", "from=-9223372036854775808&to=9223372036854775807", "from=0&to=0", "from=5&to=4"} {
		v.part(address + "/trace.json?trace=0&" + ask)
		b.lacks(v.last, "21:13", `"71"`, "2026-02-07", "Feb 7, 2026", "cuff")
	}
	for _, ask := range []string{"", "?trace=1", "?trace=-1", "?trace=x", "?trace=stretch"} {
		if w := v.get(address + "/trace.json" + ask); w.Code != http.StatusNotFound {
			t.Errorf("%q: status %d, want 404", ask, w.Code)
		}
	}
	for _, ask := range []string{"from=x", "to=1.5", "to=99999999999999999999"} {
		if w := v.get(address + "/trace.json?trace=0&" + ask); w.Code != http.StatusBadRequest {
			t.Errorf("%q: status %d, want 400", ask, w.Code)
		}
	}
}

// TestDoubtedReadingsAreHidden: the doubted go from the drawing, and are still
// told by the reading under the pointer.
func TestDoubtedReadingsAreHidden(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := b.ready(v)
	var night strings.Builder
	night.WriteString("Time,SpO2,Pulse\n")
	at := time.Date(2026, 2, 10, 22, 30, 0, 0, time.UTC)
	for i := range 900 {
		spo2 := 93
		if i == 450 {
			spo2 = 61 // falls and rises faster than blood can
		}
		fmt.Fprintf(&night, "%s,%d,%d\n", at.Add(time.Duration(i)*4*time.Second).Format("2006-01-02 15:04:05"), spo2, 60+i%5)
	}
	if w := v.upload(address, address+"/recording", []byte(night.String()), nil); w.Code != http.StatusSeeOther {
		t.Fatalf("status %d: %s", w.Code, text(v.last))
	}
	shown := v.part(address + "/trace.json?trace=0&from=1790000&to=1870000")
	hidden := v.part(address + "/trace.json?trace=0&from=1790000&to=1870000&doubted=hide")
	lines := func(p tracePart) int { return strings.Count(p.SVG, `stroke-linejoin="round"`) }
	if lines(shown) != 1 || lines(hidden) != 2 {
		t.Errorf("%d lines, %d with the doubted reading hidden", lines(shown), lines(hidden))
	}
	for _, p := range []tracePart{shown, hidden} {
		told := fmt.Sprint(p.Readings)
		if !strings.Contains(told, "23:00:00 23:00:00 61 61") || len(p.Notes) != 2 || !strings.HasPrefix(p.Notes[1], "doubted: ") {
			t.Errorf("the doubted reading is not told: %v %v", told, p.Notes)
		}
	}
}

// TestTraceOfALink: before its answers an office sees the stretch without a
// level, and nothing of the worksheet; a tester never sees more.
func TestTraceOfALink(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, true)
	address := b.demoAddress("Cassius Penhallow")
	links := b.links(address)
	office, tester := b.guest(links[Office]), b.guest(links[Tester])
	for d, out := range map[Desk]*visitor{Office: office, Tester: tester} {
		b.wants(out.page(links[d]), `data-trace="`+links[d]+`/trace.json?trace=stretch"`, "<svg")
		b.lacks(out.last, "ws-threshold", "≤")
		p := out.part(links[d] + "/trace.json?trace=stretch&from=0&to=600000")
		if len(p.Readings) == 0 || strings.Contains(p.SVG, "ws-threshold") || strings.Contains(p.SVG, "at or below") {
			t.Errorf("the %s is led: %.200s", d, p.SVG)
		}
		for _, other := range []string{"0", "marks"} {
			if w := out.get(links[d] + "/trace.json?trace=" + other); d == Office && w.Code != http.StatusNotFound {
				t.Errorf("trace %s at %s before the answers: status %d, want 404", other, d, w.Code)
			}
		}
		if w := b.visitor().get(links[d] + "/trace.json?trace=stretch"); w.Code != http.StatusForbidden {
			t.Errorf("without the code: status %d, want 403", w.Code)
		}
	}
	office.page(links[Office])
	office.post(links[Office], quill(located("awake_spo2", "92")))
	b.wants(office.page(links[Office]), `data-traces="`+links[Office]+`/trace.json"`)
	if p := office.part(links[Office] + "/trace.json?trace=0"); !strings.Contains(p.SVG, "ws-threshold") {
		t.Error("after the answers the worksheet's trace has no level")
	}
	if w := tester.get(links[Tester] + "/trace.json?trace=0"); w.Code != http.StatusNotFound {
		t.Errorf("the worksheet's trace at the tester: status %d, want 404", w.Code)
	}
}

// TestLightsOutAndRising: marks on a night that is all on room air narrow what
// is read, and say so; without them all of it is read.
func TestLightsOutAndRising(t *testing.T) {
	b := newBench(t, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := b.ready(v)
	if w := v.upload(address, address+"/recording", twoNights(), nil); w.Code != http.StatusSeeOther {
		t.Fatalf("status %d: %s", w.Code, text(v.last))
	}
	v.send(address, address+"/session", url.Values{"session": {"2"}})
	page := v.send(address, address+"/facts", url.Values{"part": {"questions"}, "v.test_oxygen": {"room_air"}})
	b.wants(page, "Lights out and rising, marked on the recording", "From lights out until rising", "never by what the trace shows")
	b.lacks(page, "Only the stretch from")
	page = v.send(address, address+"/marks", url.Values{"from.air": {"22:40"}, "until.air": {"23:10:00"}})
	b.wants(page, "Only the stretch from Feb 10, 2026 22:40:00 to Feb 10, 2026 23:09:56 is read: it is the one marked as the test on room air.", `name="until.air" value="23:10:00"`)
	if p := v.part(address + "/trace.json?trace=0"); p.Whole != 30*60_000 {
		t.Errorf("the trace of the worksheet is %d ms long, want 30 min", p.Whole)
	}
	if p := v.part(address + "/trace.json?trace=marks"); p.Whole != 60*60_000 || strings.Contains(p.SVG, "ws-threshold") {
		t.Errorf("the trace that is marked is %d ms long, want the whole session, without a level", p.Whole)
	}
	page = v.send(address, address+"/marks", url.Values{})
	b.lacks(page, "Only the stretch from")
}

// BenchmarkTracePart asks for parts of a memory of 414,000 samples, as the page
// does while it is moved: through the handler, with the case read anew.
func BenchmarkTracePart(bench *testing.B) {
	b := newBench(bench, &storetest.Memory{}, false)
	v := b.at(Intake)
	address := b.ready(v)
	var night bytes.Buffer
	night.WriteString("Time,SpO2,Pulse\n")
	at := time.Date(2026, 2, 10, 22, 30, 0, 0, time.UTC)
	for i := range 414_000 {
		fmt.Fprintf(&night, "%s,%d,%d\n", at.Add(time.Duration(i)*time.Second).Format("2006-01-02 15:04:05"), 86+i*7919%11, 60+i%7)
	}
	if w := v.upload(address, address+"/recording", night.Bytes(), nil); w.Code != http.StatusSeeOther {
		bench.Fatalf("status %d: %s", w.Code, text(v.last))
	}
	for _, c := range []struct{ name, ask string }{{"whole", ""}, {"night", "&from=36000000&to=64800000"}, {"minute", "&from=36000000&to=36060000"}} {
		bench.Run(c.name, func(bench *testing.B) {
			bench.ReportAllocs()
			for bench.Loop() {
				w := v.get(address + "/trace.json?trace=0" + c.ask)
				if w.Code != http.StatusOK {
					bench.Fatalf("status %d", w.Code)
				}
				bench.ReportMetric(float64(w.Body.Len()), "bytes/answer")
			}
		})
	}
}
