package qualify

import (
	"math/big"

	"airwarrant/qualify/analysis"
	"airwarrant/qualify/worksheet"
	"airwarrant/rules"
)

// Critical is the house's default for Query.Critical: the saturation at or
// below which page and paper say on top to tell the treating practitioner now,
// whatever the verdict. It is a setting of the house and no payer's figure:
// 80 %, our choice, after the value at which a walking patient is paused by the
// ERS/ATS technical standard of 2014 (Eur Respir J 44:1428-1446; the figure is
// from memory).
func Critical() *worksheet.CriticalLimit {
	return &worksheet.CriticalLimit{AtOrBelow: big.NewRat(80, 1), Source: "our choice, apart from every payer's figure"}
}

// limit is the critical limit of a query, nil if it is turned off.
func (q *Query) limit() *worksheet.CriticalLimit {
	switch {
	case q.Critical == nil:
		return Critical()
	case q.Critical.AtOrBelow == nil:
		return nil
	}
	return q.Critical
}

// findCritical looks for critical readings in everything of one test that may
// be read: the recording chosen, or every session where none is chosen yet, the
// recordings beside it, typed values and the figures of a report.
func (res *Result) findCritical(q *Query, on rules.Date) {
	limit := q.limit()
	if limit == nil {
		return
	}
	l := *limit
	if l.Today.IsZero() {
		l.Today = q.Today
	}
	res.Limit = &l
	look := func(src worksheet.CriticalSources) {
		src.On = on
		res.CriticalFound = append(res.CriticalFound, worksheet.FindCritical(q.Language, l.AtOrBelow, src)...)
	}
	for i, rd := range res.Readings {
		if rd.Recording == nil {
			continue
		}
		for k, a := range rd.Analyses {
			chosen := res.Chosen == i+1 && rd.Numbers[k] == res.Session
			switch {
			case chosen:
				look(worksheet.CriticalSources{Recording: rd.Recording, Analysis: a})
			case rd.Of == 1:
				look(worksheet.CriticalSources{From: q.Language.Say("recording %d", i+1), Recording: rd.Recording, Analysis: a})
			case res.Chosen == 0 && len(res.Legs) == 0 && a.AtOrBelow(l.AtOrBelow).Value > 0:
				// A memory of several people's nights: whose it is, somebody
				// has to find out; its figures are not this patient's to show.
				res.CriticalFound = append(res.CriticalFound, unclaimed(q.Language, i+1, rd.Numbers[k], a, l.AtOrBelow, q.Private))
			}
		}
	}
	look(worksheet.CriticalSources{Facts: res.Facts})
	if res.CriticalFound == nil {
		res.CriticalFound = []worksheet.CriticalReading{}
	}
}

// unclaimed is a critical reading of a session that nobody has chosen yet.
func unclaimed(l rules.Language, rec, session int, a *analysis.Analysis, limit *big.Rat, private bool) worksheet.CriticalReading {
	t := a.AtOrBelow(limit)
	c := worksheet.CriticalReading{From: l.Say("session %d of recording %d, of which nobody has said yet whose it is", session, rec),
		Lowest: a.Nadir.Value, Seconds: a.Seconds(t.Value), Doubted: a.Seconds(t.Value - t.Low)}
	if private {
		c.Lowest = nil
	}
	return c
}

// jsonCritical is the key critical of the JSON.
type jsonCritical struct {
	Limit  number              `json:"limit"`
	Source string              `json:"source"`
	Found  []jsonCriticalFound `json:"found"`
}

type jsonCriticalFound struct {
	From    string  `json:"from"`
	Lowest  number  `json:"lowest"`
	Seconds number  `json:"seconds"`
	Doubted number  `json:"doubted_s"`
	Fault   bool    `json:"may_be_fault"` // no plausible reading is that low
	At      *string `json:"at"`
	On      *string `json:"test_date"`
	AgeDays *int    `json:"age_days"`
}

// criticalJSON is null where the limit is off or nothing was found.
func (res *Result) criticalJSON() *jsonCritical {
	if res.Limit == nil || len(res.CriticalFound) == 0 {
		return nil
	}
	out := &jsonCritical{Limit: number{res.Limit.AtOrBelow}, Source: res.Limit.Source}
	for _, c := range res.CriticalFound {
		f := jsonCriticalFound{From: c.From, Lowest: number{c.Lowest}, Seconds: number{c.Seconds}, Doubted: number{c.Doubted}, Fault: c.Fault, AgeDays: c.AgeDays(res.Limit.Today)}
		if c.At != "" {
			f.At = &c.At
		}
		if !c.On.IsZero() {
			day := c.On.String()
			f.On = &day
		}
		out.Found = append(out.Found, f)
	}
	return out
}
