package editions

import (
	"context"
	"errors"

	"airwarrant/qualify/criteria"
	"airwarrant/rules"
	"airwarrant/rules/wording"
)

// Report is everything that can be told of a draft without the stored cases.
type Report struct {
	// Pack is the version as the draft writes it, nil if it has faults. For the
	// plain-words view.
	Pack *rules.Pack
	// Faults are those of all its texts, by file, line and column.
	Faults rules.Problems
	// Cases is how many boundary cases ran, Failures those that came out otherwise
	// than they say; a file of cases that can't be read gives its faults here.
	Cases    int
	Failures []criteria.CaseResult
	// Ran are all of them, in their order, those that came out as they say too.
	Ran []criteria.CaseResult
	// Beside is the version that it replaces from its day on, and with which it is
	// compared: the one in force on that day, or the one that it corrects. nil if
	// there is none.
	Beside *rules.Pack
	// Until is the last day on which the draft would be in force, nil if open.
	Until       *rules.Date
	Differences []rules.Difference // from Beside, in words
	Uncited     []rules.Uncited    // figures that changed without a new citation
	// Refusals is everything that keeps it from being proposed, save the rehearsal
	// and what only the proposal itself states.
	Refusals []Refusal
	// Notes is what whoever approves has to know although it is allowed, as
	// sentences.
	Notes []wording.Text
}

// Ready reports whether nothing keeps the draft from being rehearsed and
// proposed.
func (r *Report) Ready() bool { return len(r.Refusals) == 0 }

func (r *Report) refuse(rule string, reason wording.Text) {
	r.Refusals = append(r.Refusals, Refusal{Rule: rule, Reason: reason})
}

// Check looks a draft over: faults of its texts, its cases, what it changes, and
// every rule of publication. The draft need not be stored: an editor may pass
// what is being typed. The error is of the store alone.
func (b *Book) Check(ctx context.Context, d Draft) (*Report, error) {
	lib, err := b.Current(ctx)
	if err != nil {
		return nil, err
	}
	return check(d, lib, b.today()), nil
}

// Look is Check without running the cases, which of a large version takes
// seconds: for an editor, while somebody types. Only the faults of their file are
// told, as Failures, and the refusals say nothing of cases.
func (b *Book) Look(ctx context.Context, d Draft) (*Report, error) {
	lib, err := b.Current(ctx)
	if err != nil {
		return nil, err
	}
	return checkWith(d, lib, b.today(), false), nil
}

// regionOf reads the region of a draft: its own region.yaml, or else that of the
// library.
func regionOf(d Draft, lib *rules.Library) (rules.Region, error) {
	if d.Texts.Region != "" {
		return rules.ReadRegion([]byte(d.Texts.Region), d.Region)
	}
	return lib.Region(d.Region)
}

func check(d Draft, lib *rules.Library, today rules.Date) *Report {
	return checkWith(d, lib, today, true)
}

func checkWith(d Draft, lib *rules.Library, today rules.Date, run bool) *Report {
	r := &Report{}
	region, err := regionOf(d, lib)
	var problems rules.Problems
	switch {
	case errors.As(err, &problems):
		r.Faults = append(r.Faults, problems...)
		region = rules.Region{Region: d.Region}
	case err != nil:
		r.refuse(RuleRegion, said("Expected region.yaml with a region that is not known yet; found none. Write it: region, name, payer, select_by and scope."))
		region = rules.Region{Region: d.Region}
	}
	pack, err := readPack(region, []byte(d.Pack), []byte(d.Cases))
	if errors.As(err, &problems) {
		r.Faults = append(r.Faults, problems...)
	}
	if len(r.Faults) > 0 {
		r.refuse(RuleFaults, said("Expected texts without a fault; found %d. Mend them at their lines.", len(r.Faults)))
	}
	if pack == nil {
		return r
	}
	r.Pack = pack
	set := criteria.ReadCases(pack, pack.Cases, pack.CasesFile)
	if !run {
		r.Failures = set.Faults()
		r.place(d, lib, today)
		return r
	}
	r.Ran = set.Run(pack)
	for _, c := range r.Ran {
		r.Cases++
		if !c.Message.IsZero() {
			r.Failures = append(r.Failures, c)
		}
	}
	switch {
	case r.Cases == 0:
		r.refuse(RuleCases, said("Expected boundary cases of the version; found none. Write cases below, at and above each figure."))
	case len(r.Failures) > 0:
		r.refuse(RuleCases, said("Expected every case to come out as it says; found %d of %d that do not. Mend the version or the case.", len(r.Failures), r.Cases))
	}
	r.place(d, lib, today)
	return r
}

// place looks at the draft among the versions of its region.
func (r *Report) place(d Draft, lib *rules.Library, today rules.Date) {
	day := r.Pack.EffectiveFrom
	history := lib.History(d.Region)
	var same *rules.Pack
	for _, p := range history {
		if p.EffectiveFrom == day {
			same = p
		}
		if !p.EffectiveFrom.Before(day) && p.EffectiveFrom != day && r.Until == nil {
			until := p.EffectiveFrom.AddDays(-1)
			r.Until = &until
			r.Notes = append(r.Notes, said("A later version is in force from %s: this one would be in force until %s.", p.EffectiveFrom.String(), until))
		}
		if p.EffectiveFrom.Before(day) {
			r.Beside = p
		}
	}
	if same != nil {
		r.Beside = same
	}
	switch {
	case d.Corrects == "" && same != nil:
		r.refuse(RulePast, said("Expected a day of which %s has no version; found %s, of which it has one (%.12s). A past version is never changed: write another day, or make a correction of that version, with a reason.", d.Region, day.String(), same.SHA256))
	case d.Corrects != "" && (same == nil || same.SHA256 != d.Corrects):
		r.refuse(RuleCorrection, said("Expected a correction of the version of %s that counts; found that it corrects %.12s, which is of another day or no longer counts. Write that day after effective_from, or begin a new draft.", day.String(), d.Corrects))
	}
	if same != nil && same.SHA256 == r.Pack.SHA256 && string(same.Cases) == d.Cases && d.Texts.Region == "" {
		r.refuse(RuleSame, said("Expected another text than that of the version that counts; found the same, byte for byte. There is nothing to publish."))
	}
	if today.Before(r.Pack.KnownSince) {
		r.refuse(RuleKnown, said("Expected no known_since after today, %s; found %s. Leave the line out: a version is known here from the day of its publication.", today, r.Pack.KnownSince.String()))
	} else if !r.Pack.KnownSince.IsZero() && r.Pack.KnownSince != today {
		r.Notes = append(r.Notes, said("The text says that it was known since %s. It is known here from the day of its publication: no case was judged by it before.", r.Pack.KnownSince.String()))
	}
	if day.Before(today) {
		r.Notes = append(r.Notes, said("It is in force from %s, which is past: tests from that day on were judged by another version until now, and are listed for review.", day.String()))
	}
	if now, err := lib.Region(d.Region); err == nil && d.Texts.Region != "" && d.Texts.Region != now.Text {
		r.Notes = append(r.Notes, said("It changes region.yaml too: the name, the payer, whom the criteria are for, or how patients come under them. That holds for every version of the region."))
	}
	if r.Beside == nil {
		r.Notes = append(r.Notes, said("No version of this region is in force on that day: there is nothing to compare it with and no case to rehearse."))
		return
	}
	if r.Beside.Unreadable != "" {
		r.Notes = append(r.Notes, said("The version beside it can't be read, so that its figures can't be compared: %s", r.Beside.Unreadable))
		return
	}
	r.Differences = rules.Compare(r.Beside, r.Pack)
	if len(r.Differences) == 0 && string(r.Beside.Cases) != d.Cases {
		r.Notes = append(r.Notes, said("It says what the version beside it says; other than that are its boundary cases, comments or spelling."))
	}
	r.Uncited = rules.UncitedChanges(r.Beside, r.Pack, d.Corrects != "")
	for _, u := range r.Uncited {
		r.Refusals = append(r.Refusals, Refusal{Rule: RuleCitation, Part: u.Part, Was: u.Was, Is: u.Is, Reason: u.Said()})
	}
}
