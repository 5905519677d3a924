package main

import (
	"fmt"
	"io"
	"math/big"
	"strings"
	"text/tabwriter"

	"airwarrant/qualify"
	"airwarrant/qualify/analysis"
)

// printMeasures tells in plain text what the recording of a measure call
// holds. No criteria, so every level from 85 to 90 is told alike.
func printMeasures(w io.Writer, res *qualify.Result) error {
	rd := res.Readings[0]
	rec, a := rd.Recording, res.Analysis
	fmt.Fprintf(w, "recording  %s, %s, %d bytes\n", rec.SHA256, rec.Format, rec.Size)
	for _, l := range rec.Layout {
		fmt.Fprintf(w, "read       %s\n", l)
	}
	fmt.Fprintf(w, "session    %d of %d\n\n", res.Session, len(rd.Sessions))
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	row := func(name string, cells ...string) { fmt.Fprintf(tw, "%s\t%s\n", name, strings.Join(cells, "\t")) }
	sec := func(ticks *int64) string {
		if ticks == nil {
			return "unknown"
		}
		return qualify.Decimal(a.Seconds(*ticks))
	}
	row("recorded s", sec(a.Recorded))
	row("valid s", sec(&a.Valid))
	row("missing s", sec(a.Missing))
	row("suspect s", sec(&a.Suspect))
	row("nominal interval s", sec(&a.Interval))
	row("", "least", "measured", "most")
	for pct := int64(85); pct <= 90; pct++ {
		t, run := a.AtOrBelow(big.NewRat(pct, 1)), a.LongestAtOrBelow(big.NewRat(pct, 1))
		row(fmt.Sprintf("at or below %d %%, s", pct), sec(&t.Low), sec(&t.Value), sec(&t.High))
		row("  longest run, s", sec(&run.Low), sec(&run.Value), sec(&run.High))
	}
	row("lowest, %", bounds(a.Nadir)...)
	row("mean, %", bounds(a.Mean)...)
	for _, e := range a.Events {
		row(fmt.Sprintf("events of %d points", e.Depth), fmt.Sprint(e.Low), fmt.Sprint(e.Count), fmt.Sprint(e.High))
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	for _, s := range res.Warnings {
		fmt.Fprintf(w, "warning: %s\n", s)
	}
	return nil
}

func bounds(b analysis.Bounded) []string {
	var out []string
	for _, r := range []*big.Rat{b.Low, b.Value, b.High} {
		if r == nil {
			out = append(out, "unknown")
		} else {
			out = append(out, qualify.Decimal(r))
		}
	}
	return out
}
