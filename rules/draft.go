package rules

import "path"

// ReadDraft reads the bytes of one version that is not yet part of any library,
// with every check that Load has for one. It takes the day from which it is in
// force from effective_from alone, so that its file may have any name; file is
// the name that faults carry. The region is the one that it is to be a version
// of. Its boundary cases are not looked for. The error is Problems; the pack is
// then nil.
func ReadDraft(data []byte, file string, region Region) (*Pack, error) {
	p := &Pack{Region: region, File: path.Join(region.Region, path.Base(file)), SHA256: hashOf(data)}
	d := parse(file, data)
	d.decode(p)
	if d.root != nil {
		d.validate(p)
		d.check(p, p.EffectiveFrom)
	}
	if len(d.problems) > 0 {
		d.problems.sort()
		return nil, d.problems
	}
	return p, nil
}
