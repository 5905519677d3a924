package rules

import (
	"path"
	"strconv"
)

// ReadDraft reads the bytes of one version that is not yet part of any library,
// with every check that Load has for one. It takes the day from which it is in
// force from effective_from alone, so that its file may have any name; file is
// the name that faults carry. The region is the one that it is to be a version
// of. Its boundary cases are not looked for. The error is Problems; the pack is
// then nil.
func ReadDraft(data []byte, file string, region Region) (*Pack, error) {
	p := &Pack{Region: region, File: path.Join(region.Region, path.Base(file)), SHA256: hashOf(data), Text: data}
	if len(data) > maxFile {
		return nil, Problems{{File: file, Expected: said("at most %d bytes", maxFile), Found: literal(strconv.Itoa(len(data))), Mend: said("leave out what is no criterion")}}
	}
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

// ReadRegion reads the bytes of region.yaml of a folder, with every check that
// Load has for it, that of the folder's name among them. The error is Problems.
func ReadRegion(data []byte, folder string) (Region, error) {
	file := path.Join(folder, "region.yaml")
	if !regionPattern.MatchString(folder) || len(folder) > maxFolder {
		return Region{}, Problems{{File: "region.yaml", Expected: said("a folder name of at most %d small letters, digits and single dashes", maxFolder), Found: verbatim(folder), Mend: said("rename the folder, such as us-medicare")}}
	}
	if len(data) > maxFile {
		return Region{}, Problems{{File: file, Expected: said("at most %d bytes", maxFile), Found: literal(strconv.Itoa(len(data))), Mend: said("leave out what is no key of it")}}
	}
	r, problems := readRegion(data, file, folder)
	if len(problems) > 0 {
		problems.sort()
		return Region{}, problems
	}
	return r, nil
}
