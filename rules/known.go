package rules

import "slices"

// AsKnownOn returns the library as this house had it on a day: without the
// versions that it came to know later, and with those that it withdrew or
// corrected since, so that somebody who asks why a case was judged as it was
// gets the answer of that day. A version without known_since counts as known
// all along; one that was withdrawn no longer counts on the day of its
// withdrawal. Of a region that was not known at all, InForce says so with
// ErrNoPackInForce. l itself stays as it is.
func (l *Library) AsKnownOn(day Date) *Library {
	out := l.only(func(p *Pack) bool {
		return !day.Before(p.KnownSince) && (p.KnownUntil.IsZero() || day.Before(p.KnownUntil))
	})
	out.asOf = day
	return out
}

// only is the library of those versions, of all that ever counted, that pass.
func (l *Library) only(pass func(*Pack) bool) *Library {
	out := &Library{packs: map[string][]*Pack{}, retired: map[string][]*Pack{}}
	for _, r := range l.regions {
		var versions []*Pack
		for _, p := range append(l.History(r.Region), l.retired[r.Region]...) {
			if !pass(p) {
				continue
			}
			q := *p
			q.Until = nil // the next version may be one that is left out
			// Of one day one version counted: that which was published here.
			if i := slices.IndexFunc(versions, func(v *Pack) bool { return v.EffectiveFrom == q.EffectiveFrom }); i < 0 {
				versions = append(versions, &q)
			} else if versions[i].PublishedAt.Before(q.PublishedAt) {
				versions[i] = &q
			}
		}
		out.add(r, versions)
	}
	return out
}
