package worksheet

import (
	"bytes"
	"math/big"
	"strings"
	"testing"

	"airwarrant/qualify/analysis"
	"airwarrant/qualify/criteria"
	"airwarrant/qualify/recording"
	"airwarrant/rules"
)

// walkInput is an invented walk of 1000 s at one sample a second, so that a
// second is 0.436 units of the sheet: rest up to 250 s, exertion up to 500 s at
// 86 % in its last 100 s, a recovery of 20 s at 84 %, then exertion on oxygen to
// 1000 s.
func walkInput() Input {
	ts, vs := every(1000, 1, func(i int) int32 {
		switch {
		case i >= 500 && i < 520:
			return 84
		case i >= 400 && i < 500:
			return 86
		}
		return 93
	})
	rec := rows(recording.ClockElapsed, ts, vs)
	whole := analysis.Analyze(rec, recording.Session{From: 0, To: len(ts)}, analysis.Options{})
	in := sample("met")
	in.Recording, in.Analysis, in.Walk = rec, nil, whole
	in.Uploads = []Upload{{SHA256: rec.SHA256, Format: rec.Format, Role: "exertional test"}}
	in.Pack.Reading.LegHold = &rules.Quantity{Rat: big.NewRat(10, 1), Unit: "s", Text: "10 s"}
	in.Pack.Criteria.AllOf = append(in.Pack.Criteria.AllOf, &rules.Node{ID: "walk-88", Fact: "exertion_spo2_air", AtOrBelow: rules.Quantities{*pct(88)}})
	in.Facts["exertion_in_person"] = criteria.Fact{Name: "exertion_in_person", State: criteria.Stated, Value: criteria.Value{Bool: true}}
	for _, l := range []struct {
		role, flow string
		from, to   int
	}{{criteria.RoleRestAir, "", 0, 250}, {criteria.RoleExertionAir, "", 250, 500}, {criteria.RoleRecovery, "", 500, 520}, {criteria.RoleExertionOxygen, "2", 520, 1000}} {
		a := analysis.Analyze(rec, recording.Session{From: l.from, To: l.to}, analysis.Options{})
		in.Legs = append(in.Legs, Leg{RecordingRole: criteria.RecordingRole{SHA256: rec.SHA256, Role: l.role, Flow: l.flow}, Upload: 1, Of: rec, Session: whole, No: 1, SessionsOf: 1, Analysis: a,
			Begin: a.Stamp(rec, a.First, l.from), End: a.Stamp(rec, a.First+*a.Recorded, l.to-1)})
	}
	return in
}

// TestLegsOnTheTrace places the marks by hand and tells recovery apart from
// the legs by its pattern, so that grey paper shows it.
func TestLegsOnTheTrace(t *testing.T) {
	s := New(walkInput()).Section("legs")
	if s == nil || s.Trace == nil || len(s.Trace.Legs) != 4 {
		t.Fatalf("the legs are not drawn: %+v", s)
	}
	sec := (plotRight - plotLeft) / 1000
	for i, want := range []struct {
		from, to float64
		label    string
		recovery bool
	}{{0, 250, "1 rest, air", false}, {250, 500, "2 exertion, air", false}, {500, 520, "R", true}, {520, 1000, "3 exertion, oxygen", false}} {
		l := s.Trace.Legs[i]
		if !near(l.From, plotLeft+want.from*sec) || !near(l.To, plotLeft+want.to*sec) || l.Label != want.label || l.Recovery != want.recovery {
			t.Errorf("leg %d: expected %+v, found %+v", i+1, want, l)
		}
	}
	if n := s.Trace.Nadir; n == nil || !near(n.X, plotLeft+400*sec) || s.Trace.NadirLabel != "lowest 86 %" {
		t.Errorf("the lowest reading marked is not that of exertion on air: %+v %q", n, s.Trace.NadirLabel)
	}
	svg := s.Trace.SVG()
	if strings.Count(svg, `fill="#eee"`) != 3 || strings.Count(svg, `-hatch)" stroke="#111"`) != 1 {
		t.Errorf("three shaded legs and one hatched recovery are expected in %s", svg)
	}
}

// TestLegsSection: one line for each leg and the recovery behind them, with
// the figures of its own samples, on page, text and paper; nothing of the whole
// session is measured.
func TestLegsSection(t *testing.T) {
	w := New(walkInput())
	for _, id := range []string{"trace", "levels"} {
		if s := w.Section(id); s != nil {
			t.Errorf("a walk in legs has the section %s of a night", id)
		}
	}
	got := ""
	for _, r := range w.Section("legs").Table.Rows {
		for _, c := range r.Cells {
			got += c.Text + "|"
		}
		got += "\n"
	}
	// Exertion on air: (93 × 150 + 86 × 100) / 250 = 90.2.
	want := "1 rest on room air|+0:00:00|+0:04:10|room air|93|93|93|93|93|0 s|\n" +
		"2 exertion on room air|+0:04:10|+0:08:20|room air|93|86|86|86|90.2|1 min 40 s|\n" +
		"3 exertion on oxygen|+0:08:40|+0:16:40|oxygen, 2 L/min|93|93|93|93|93|0 s|\n" +
		"R recovery|+0:08:20|+0:08:40|not stated|84|84|84|84|84|20 s|\n"
	if got != want {
		t.Errorf("expected\n%sfound\n%s", want, got)
	}
	if after := w.Section("legs").After; after != "Supervised in person: yes." {
		t.Errorf("how the legs were taken: %q", after)
	}
	var page, text, pdf bytes.Buffer
	if err := w.WriteHTML(&page); err != nil {
		t.Fatal(err)
	}
	if err := w.WriteText(&text); err != nil {
		t.Fatal(err)
	}
	if err := w.WritePDF(&pdf, PDFOptions{}); err != nil {
		t.Fatal(err)
	}
	for _, out := range []string{page.String(), text.String()} {
		for _, want := range []string{"The exertional test in legs", "2 exertion on", "90.2", "1 min 40 s", "once it has held for 10 s"} {
			if !strings.Contains(strings.Join(strings.Fields(out), " "), want) {
				t.Errorf("%q is missing in %.200s…", want, out)
			}
		}
	}
}

// TestTypedLegBesideMarked: a leg that was only typed stands in the list with
// its figure, and no reading.
func TestTypedLegBesideMarked(t *testing.T) {
	in := walkInput()
	in.Legs = in.Legs[:3]
	in.Facts["exertion_spo2_oxygen"] = criteria.Fact{Name: "exertion_spo2_oxygen", State: criteria.Stated, Value: criteria.Value{Num: big.NewRat(92, 1), Unit: "%"}}
	rows := New(in).Section("legs").Table.Rows
	if len(rows) != 4 || rows[2].Cells[0].Text != "3 exertion on oxygen" || rows[2].Cells[0].Sub != "as typed: 92 %" || rows[2].Cells[5].Text != "" {
		t.Errorf("the typed leg: %+v", rows)
	}
}

// TestCriticalReadingOfAWalk: a critically low reading is told wherever in the
// walk it stands, the recovery included: what is safe does not hang on legs.
func TestCriticalReadingOfAWalk(t *testing.T) {
	for limit, told := range map[int64]bool{83: false, 84: true} {
		in := walkInput()
		in.Critical = &CriticalLimit{AtOrBelow: big.NewRat(limit, 1), Source: "our choice"}
		alerts := New(in).Alerts
		if got := len(alerts) == 1 && strings.Contains(alerts[0], "Lowest reading 84 %, 20 s at or below 84 %"); got != told {
			t.Errorf("limit %d: %v", limit, alerts)
		}
	}
}
