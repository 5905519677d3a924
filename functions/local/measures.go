package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math/big"
	"strings"
	"text/tabwriter"

	"airwarrant/qualify"
	"airwarrant/qualify/analysis"
	"airwarrant/qualify/recording"
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

// printProposal tells how the columns of a file would be taken, and what has
// to be answered before it is read.
func printProposal(w io.Writer, p *recording.Proposal) error {
	if p.Sheet != "" {
		fmt.Fprintf(w, "sheet      %s\n", p.Sheet)
	}
	fmt.Fprintf(w, "text       %s, columns divided by %s\n", p.Encoding, p.Delimiter)
	if p.Header > 0 {
		fmt.Fprintf(w, "header     line %d\n", p.Header)
	} else {
		fmt.Fprintln(w, "header     none")
	}
	if !p.Dates.Why.IsZero() {
		fmt.Fprintf(w, "dates      %s\n", p.Dates.Why)
	}
	for _, a := range p.Dates.Answers {
		fmt.Fprintf(w, "  order=%s  %s\n", a.Order, a.Reading)
	}
	fmt.Fprintln(w)
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tw, "column\theader\trole\twhy\tcould be")
	for _, c := range p.Columns {
		fmt.Fprintf(tw, "%d\t%s\t%s\t%s\t%s\n", c.Number, c.Header, c.Role, c.Reason, strings.Join(c.Could, ", "))
	}
	fmt.Fprintln(tw)
	for _, r := range p.Rows {
		fmt.Fprintf(tw, "line %d\t%s\n", r.Line, strings.Join(r.Cells, "\t"))
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	fmt.Fprintf(w, "\n--columns '%s'\n", p.Mapping)
	if p.Question != nil {
		fmt.Fprintf(w, "question: %v\n", p.Question)
	}
	return nil
}

// The proposal as JSON: keys in a fixed order, null for nothing.
type jsonProposal struct {
	Sheet     *string          `json:"sheet"`
	Encoding  string           `json:"encoding"`
	Delimiter string           `json:"delimiter"`
	Header    *int             `json:"header"`
	Shape     *string          `json:"shape"`
	Columns   []jsonColumn     `json:"columns"`
	Rows      []jsonRow        `json:"rows"`
	Order     *string          `json:"order"`
	Dates     *string          `json:"dates"`
	Orders    []jsonDateAnswer `json:"orders"`
	NoTime    bool             `json:"no_time"`
	Fractions bool             `json:"fractions"`
	FromStart bool             `json:"from_start"`
	Mapping   string           `json:"mapping"`
	Question  *string          `json:"question"`
}

type jsonColumn struct {
	Number int      `json:"number"`
	Header *string  `json:"header"`
	Role   string   `json:"role"`
	Reason string   `json:"reason"`
	Could  []string `json:"could"`
}

type jsonRow struct {
	Line  int      `json:"line"`
	Cells []string `json:"cells"`
}

type jsonDateAnswer struct {
	Order   string `json:"order"`
	Reading string `json:"reading"`
}

func proposalJSON(w io.Writer, p *recording.Proposal) error {
	text := func(s string) *string {
		if s == "" {
			return nil
		}
		return &s
	}
	j := jsonProposal{Sheet: text(p.Sheet), Encoding: p.Encoding, Delimiter: p.Delimiter, Shape: text(p.Shape), Columns: []jsonColumn{}, Rows: []jsonRow{},
		Order: text(p.Dates.Order), Dates: text(p.Dates.Why.String()), Orders: []jsonDateAnswer{}, NoTime: p.NoTime, Fractions: p.Fractions, FromStart: p.FromStart, Mapping: p.Mapping}
	if p.Header > 0 {
		j.Header = &p.Header
	}
	for _, c := range p.Columns {
		j.Columns = append(j.Columns, jsonColumn{c.Number, text(c.Header), c.Role, c.Reason.String(), append([]string{}, c.Could...)})
	}
	for _, r := range p.Rows {
		j.Rows = append(j.Rows, jsonRow{r.Line, r.Cells})
	}
	for _, a := range p.Dates.Answers {
		j.Orders = append(j.Orders, jsonDateAnswer{a.Order, a.Reading.String()})
	}
	if p.Question != nil {
		j.Question = text(p.Question.Error())
	}
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	return enc.Encode(j)
}
