package qualify

import (
	"bytes"
	"compress/flate"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"sync"

	"airwarrant/qualify/analysis"
	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

// Kept is everything that the determination of a case rests on, apart from the
// criteria themselves: what was stated and what was measured, without a sample
// of any recording. From it the case can be determined again under any version
// of its criteria, by the same steps and with the same outcome, clauses and
// questions as from the recording. What it can't give are texts that name
// samples: the notes on the recording and the comparison of a signed report
// with it.
//
// It holds health data of one patient and words that people typed, so it
// belongs beside a case under the key of that case.
type Kept struct {
	criteria []string // regions
	facts    map[string]criteria.Fact
	runs     []keptRun // one for each test, in the order of criteria.Tests; one where none is listed
	own      bool      // the last test is the one that the case itself states
	// Differs says that the file may be another person's, so that nothing is
	// determined of it under any criteria. The caller finds it out.
	Differs bool
}

// keptRun is what was measured in one test.
type keptRun struct {
	Sources  int               `json:"sources,omitzero"`
	Unread   bool              `json:"unread,omitzero"` // withheld: nothing is measured
	Recorded rules.Date        `json:"recorded,omitzero"`
	Received rules.Date        `json:"received,omitzero"`
	Asks     []criteria.Need   `json:"asks,omitempty"`
	Night    *analysis.Profile `json:"night,omitempty"`
	Walk     bool              `json:"walk,omitzero"`
	Legs     []keptLeg         `json:"legs,omitempty"`
	Absent   []string          `json:"absent,omitempty"`
}

// keptLeg is one leg, with its place in words.
type keptLeg struct {
	criteria.RecordingRole
	Recording int               `json:"recording"`
	Session   int               `json:"session"`
	Where     string            `json:"where"`
	Measures  *analysis.Profile `json:"measures"`
}

type keptJSON struct {
	Form     int             `json:"form"`
	Criteria []string        `json:"criteria"`
	Facts    []criteria.Fact `json:"facts"`
	Own      bool            `json:"own,omitzero"`
	Runs     []keptRun       `json:"runs"`
	Differs  bool            `json:"differs,omitzero"`
}

const (
	keptForm = 1
	// keptLimit bounds what is unpacked: a night of all values of 16 bits, seven
	// numbers of at most 20 digits each, is 10 MB.
	keptLimit = 16 << 20
)

// Errors of Kept.
var (
	// ErrKept: what a case kept can't be read.
	ErrKept = errors.New("what the case keeps of its determination is not readable")
	// ErrUnread: the recording was withheld when the case was determined, and
	// under these criteria it would be read.
	ErrUnread = errors.New("the recording was not read")
)

// Keep returns what the determinations of res, the result of q, rest on.
func (q Query) Keep(res *Result) *Kept {
	k := &Kept{criteria: slices.Clone(q.Criteria), facts: maps.Clone(q.Facts)}
	runs := res.runs
	if runs == nil {
		runs = []*Result{res}
	}
	k.own = len(res.tests) > 0 && res.tests[len(res.tests)-1].Name == criteria.OwnTest
	for _, run := range runs {
		r := keptRun{Sources: run.before.sources, Unread: run.before.withheld != "", Recorded: run.before.recorded, Received: run.before.received,
			Asks: run.before.asks, Walk: run.Walk != nil, Absent: run.absent}
		if run.Analysis != nil {
			r.Night = run.Analysis.Profile()
		}
		for _, l := range run.Legs {
			r.Legs = append(r.Legs, keptLeg{l.RecordingRole, l.Recording, l.Session, l.where, l.Analysis.Profile()})
		}
		k.runs = append(k.runs, r)
	}
	return k
}

// packers and unpackers are kept because each makes tables that are larger than
// any case.
var packers = sync.Pool{New: func() any {
	w, err := flate.NewWriter(nil, flate.DefaultCompression)
	if err != nil {
		panic(err) // of a level that there is not
	}
	return w
}}

var unpackers = sync.Pool{New: func() any { return flate.NewReader(nil) }}

// Criteria are the regions by whose criteria the case is judged.
func (k *Kept) Criteria() []string { return slices.Clone(k.criteria) }

// TestDate is the stated date of the test, zero if none is; of several tests
// the case's own.
func (k *Kept) TestDate() rules.Date {
	day, _ := knownDate(k.facts, "test_date")
	return day
}

// Tests is how many tests the case rests on, at least one.
func (k *Kept) Tests() int { return len(k.runs) }

// Encode packs k into bytes that DecodeKept reads. The same k gives the same
// bytes. The error is of a fact that can't be written.
func (k *Kept) Encode() ([]byte, error) {
	in := keptJSON{Form: keptForm, Criteria: k.criteria, Own: k.own, Runs: k.runs, Differs: k.Differs, Facts: []criteria.Fact{}}
	for _, name := range slices.Sorted(maps.Keys(k.facts)) {
		in.Facts = append(in.Facts, k.facts[name])
	}
	data, err := json.Marshal(in)
	if err != nil {
		return nil, fmt.Errorf("keeping a determination: %w", err)
	}
	var out bytes.Buffer
	w := packers.Get().(*flate.Writer)
	defer packers.Put(w)
	w.Reset(&out)
	_, err = w.Write(data)
	if err = errors.Join(err, w.Close()); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

// DecodeKept unpacks what Encode wrote. The error wraps ErrKept and quotes
// nothing of the case.
func DecodeKept(data []byte) (*Kept, error) {
	r := unpackers.Get().(io.Reader)
	defer unpackers.Put(r)
	if err := r.(flate.Resetter).Reset(bytes.NewReader(data), nil); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrKept, err)
	}
	plain, err := io.ReadAll(io.LimitReader(r, keptLimit+1))
	if err != nil || len(plain) > keptLimit {
		return nil, fmt.Errorf("%w: expected packed bytes of at most %d MB; restore the store from a backup", ErrKept, keptLimit>>20)
	}
	var in keptJSON
	if err := json.Unmarshal(plain, &in); err != nil || in.Form != keptForm {
		return nil, fmt.Errorf("%w: expected form %d of this version's vocabulary, found form %d; state any fact of the case anew, so that it is determined by this version", ErrKept, keptForm, in.Form)
	}
	k := &Kept{criteria: in.Criteria, facts: map[string]criteria.Fact{}, runs: in.Runs, own: in.Own, Differs: in.Differs}
	for _, f := range in.Facts {
		k.facts[f.Name] = f
	}
	if want := max(1, len(criteria.Tests(k.facts, k.own))); want != len(k.runs) || slices.ContainsFunc(k.runs, func(r keptRun) bool {
		return slices.ContainsFunc(r.Legs, func(l keptLeg) bool { return l.Measures == nil })
	}) {
		return nil, fmt.Errorf("%w: expected the measures of %d tests, found those of %d; restore the store from a backup", ErrKept, want, len(k.runs))
	}
	return k, nil
}

// Determine determines the case anew under one of its regions. versions says
// which version holds on which day, and confirmed which drafts of it decide.
// Errors: those of rules, and ErrUnread.
func (k *Kept) Determine(region string, versions Versions, confirmed map[string]criteria.Confirmations) (criteria.Determination, error) {
	return k.determine(region, versions, confirmed, false)
}

// Outline is Determine without what is only to be read, as criteria.Outline is:
// for many cases.
func (k *Kept) Outline(region string, versions Versions, confirmed map[string]criteria.Confirmations) (criteria.Determination, error) {
	return k.determine(region, versions, confirmed, true)
}

func (k *Kept) determine(region string, versions Versions, confirmed map[string]criteria.Confirmations, outline bool) (criteria.Determination, error) {
	q := Query{Facts: k.facts, Criteria: k.criteria, Confirmed: confirmed}
	tests := criteria.Tests(k.facts, k.own)
	if tests == nil {
		run, err := k.runs[0].determine(q, region, versions, outline)
		if err != nil {
			return criteria.Determination{}, err
		}
		return run.Determinations[0], nil
	}
	runs := make([]*Result, len(tests))
	for i, t := range tests {
		sub := q
		sub.Facts = criteria.TestFacts(k.facts, t)
		var err error
		if runs[i], err = k.runs[i].determine(sub, region, versions, outline); err != nil {
			return criteria.Determination{}, fmt.Errorf("test %d of %d: %w", i+1, len(tests), err)
		}
	}
	d, _ := decide(tests, runs, 0)
	return d, nil
}

// determine is checkOne without the recordings.
func (r *keptRun) determine(q Query, region string, versions Versions, outline bool) (*Result, error) {
	res := &Result{Facts: q.Facts, before: gathered{sources: r.Sources, received: r.Received}, kept: true, outline: outline}
	stated, _ := knownDate(q.Facts, "test_date")
	var err error
	if res.before.withheld, err = barred(q, versions, stated, r.Sources > 0); err != nil {
		return nil, err
	}
	switch {
	case res.before.withheld != "":
	case r.Unread:
		return nil, fmt.Errorf("%w, and under these criteria it may be: take the recording up again", ErrUnread)
	default:
		res.before.recorded, res.before.asks, res.absent = r.Recorded, r.Asks, r.Absent
		if r.Night != nil {
			res.Analysis = r.Night.Analysis()
		}
		if r.Walk {
			res.Walk = &analysis.Analysis{}
		}
		for _, l := range r.Legs {
			res.Legs = append(res.Legs, Leg{RecordingRole: l.RecordingRole, Recording: l.Recording, Session: l.Session, Analysis: l.Measures.Analysis(), where: l.Where})
		}
	}
	q.Criteria = []string{region}
	return res, res.determine(q, versions)
}

// Only returns others with one pack in place of all versions of its region, as
// if it had been in force on every day.
func Only(pack *rules.Pack, others Versions) Versions { return only{pack, others} }

type only struct {
	pack   *rules.Pack
	others Versions
}

func (o only) InForce(region string, on rules.Date) (*rules.Pack, error) {
	if region == o.pack.Region.Region {
		return o.pack, nil
	}
	return o.others.InForce(region, on)
}

func (o only) History(region string) []*rules.Pack {
	if region == o.pack.Region.Region {
		return []*rules.Pack{o.pack}
	}
	return o.others.History(region)
}
