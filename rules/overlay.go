package rules

import (
	"slices"
	"time"
)

// With returns the library with what a house published itself laid over it.
// regions are those whose region.yaml the house keeps, new ones or in place of
// the library's. own are its versions, each with PublishedAt, and RetiredAt where
// it no longer counts, in the order in which they were published: their days in
// UTC are KnownSince and KnownUntil, whatever their texts say. retired names
// versions of l, by the SHA-256 of their files, that no longer count, and since
// when.
//
// Of two versions of one region and day that both count the later of own does,
// and any of own before one of l: the other is retired from the day on which
// the one that counts is known. Packs of own are copied; l stays as it is.
func (l *Library) With(regions []Region, own []*Pack, retired map[string]time.Time) *Library {
	out := &Library{packs: map[string][]*Pack{}, retired: map[string][]*Pack{}}
	all := map[string][]*Pack{}
	put := func(p *Pack, until time.Time) {
		q := *p
		q.Until, q.RetiredAt, q.KnownUntil = nil, until, dayOf(until)
		if !q.PublishedAt.IsZero() {
			q.KnownSince = dayOf(q.PublishedAt)
		}
		all[p.Region.Region] = append(all[p.Region.Region], &q)
	}
	names := map[string]Region{}
	for _, r := range l.regions {
		names[r.Region] = r
		for _, p := range l.packs[r.Region] {
			put(p, retired[p.SHA256])
		}
		for _, p := range l.retired[r.Region] {
			put(p, p.RetiredAt)
		}
	}
	for _, p := range own {
		put(p, p.RetiredAt)
		if _, ok := names[p.Region.Region]; !ok {
			names[p.Region.Region] = p.Region
		}
	}
	for _, r := range regions {
		names[r.Region] = r
	}
	for _, name := range sortedKeys(names) {
		var counts []*Pack
		for _, p := range all[name] {
			p.Region = names[name]
			if !p.KnownUntil.IsZero() {
				out.retired[name] = append(out.retired[name], p)
				continue
			}
			if i := slices.IndexFunc(counts, func(q *Pack) bool { return q.EffectiveFrom == p.EffectiveFrom }); i >= 0 {
				counts[i].RetiredAt, counts[i].KnownUntil = p.PublishedAt, p.KnownSince
				out.retired[name] = append(out.retired[name], counts[i])
				counts[i] = p
				continue
			}
			counts = append(counts, p)
		}
		out.add(names[name], counts)
	}
	return out
}

// dayOf is the calendar day of an instant in UTC, zero for the zero instant.
func dayOf(t time.Time) Date {
	if t.IsZero() {
		return Date{}
	}
	t = t.UTC()
	return Date{t.Year(), int(t.Month()), t.Day()}
}

// AsOf returns the library as it was applied in this house at an instant:
// without the versions that were published after it, and with those that were
// withdrawn or corrected after it. Unlike AsKnownOn it leaves what the versions
// of the program say of themselves aside, and tells two halves of a day apart: it
// answers for a case that was determined then. l itself stays as it is.
func (l *Library) AsOf(at time.Time) *Library {
	counted := func(p *Pack) bool {
		return !at.Before(p.PublishedAt) && (p.RetiredAt.IsZero() || at.Before(p.RetiredAt))
	}
	same := true
	for _, r := range l.regions {
		same = same && !slices.ContainsFunc(l.packs[r.Region], func(p *Pack) bool { return !counted(p) }) && !slices.ContainsFunc(l.retired[r.Region], counted)
	}
	if same {
		return l // what follows from its packs is kept with them
	}
	return l.only(counted)
}

// Retired returns the versions of a region that no longer count in this house,
// because they were withdrawn or corrected: KnownUntil says since when.
func (l *Library) Retired(region string) []*Pack { return slices.Clone(l.retired[region]) }

// Find returns the version whose file has a SHA-256, nil if there is none: one
// that counts before one that no longer does.
func (l *Library) Find(sha256 string) *Pack {
	for _, lists := range []map[string][]*Pack{l.packs, l.retired} {
		for _, r := range l.regions {
			for _, p := range lists[r.Region] {
				if p.SHA256 == sha256 {
					return p
				}
			}
		}
	}
	return nil
}

// Unread is a version that counts and can't be read: no criteria are in force
// from its day on, because it is not known what they are. why says what to do.
func Unread(region Region, effective Date, sha256, why string) *Pack {
	return &Pack{Region: region, EffectiveFrom: effective, SHA256: sha256, Withdrawn: true, Unreadable: why, Title: "This version can't be read: " + why,
		File: region.Region + "/" + effective.String() + ".yaml", CasesFile: region.Region + "/" + effective.String() + ".cases.yaml"}
}
