package rules

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"reflect"
	"regexp"
	"strings"
	"sync"

	"github.com/go-playground/validator/v10"

	"airwarrant/rules/wording"
)

var regionPattern = regexp.MustCompile(`^[a-z0-9]+(-[a-z0-9]+)*$`)

// Load reads every region of a folder of packs and checks all of them before
// it answers. The tree is <region>/region.yaml, <region>/<YYYY-MM-DD>.yaml
// and, beside each version, <region>/<YYYY-MM-DD>.cases.yaml, whose bytes are
// kept and not decoded. Files that are no YAML are ignored. The error is
// Problems, every fault of every file; the library is then nil.
func Load(fsys fs.FS) (*Library, error) {
	l := &loader{fsys: fsys, library: &Library{packs: map[string][]*Pack{}}}
	l.folder()
	if len(l.problems) > 0 {
		l.problems.sort()
		return nil, l.problems
	}
	return l.library, nil
}

type loader struct {
	fsys     fs.FS
	library  *Library
	problems Problems
}

// whole adds a problem of a file or folder as a whole.
func (l *loader) whole(file string, expected, found, mend wording.Text) {
	l.problems = append(l.problems, Problem{File: file, Expected: expected, Found: found, Mend: mend})
}

func (l *loader) folder() {
	entries, err := fs.ReadDir(l.fsys, ".")
	if err != nil {
		l.whole(".", said("a folder of packs"), literal(err.Error()), said("name a folder that can be read"))
		return
	}
	regions := 0
	for _, e := range entries {
		switch {
		case l.isFolder(e.Name()):
			if strings.HasPrefix(e.Name(), ".") {
				continue
			}
			regions++
			l.region(e.Name())
		case isYAML(e.Name()):
			l.whole(e.Name(), said("folders of regions"), said("a YAML file beside them"), said("move it into the folder of its region"))
		}
	}
	if regions == 0 {
		l.whole(".", said("a folder for each region"), said("none"), said("copy the folder xx-example and begin from it, or name another folder"))
	}
}

// isFolder follows links, as reading does.
func (l *loader) isFolder(name string) bool {
	info, err := fs.Stat(l.fsys, name)
	return err == nil && info.IsDir()
}

func isYAML(name string) bool {
	ext := strings.ToLower(path.Ext(name))
	return ext == ".yaml" || ext == ".yml"
}

// region reads one folder.
func (l *loader) region(folder string) {
	entries, err := fs.ReadDir(l.fsys, folder)
	if err != nil {
		l.whole(folder, said("a folder that can be read"), literal(err.Error()), said("mend the rights of the folder"))
		return
	}
	if !regionPattern.MatchString(folder) {
		l.whole(folder, said("a folder name of small letters, digits and single dashes"), verbatim(folder), said("rename the folder, such as us-medicare"))
	}
	var region Region
	var versions []*Pack
	seen, cases := map[string]bool{}, map[string]bool{}
	for _, e := range entries {
		name := e.Name()
		file := path.Join(folder, name)
		switch {
		case l.isFolder(file):
			if !strings.HasPrefix(name, ".") {
				l.whole(file, said("files alone"), said("a folder inside a region"), said("move its files up, or the folder beside the region"))
			}
		case !isYAML(name) || strings.HasPrefix(name, "."):
		case name == "region.yaml":
			seen["region"] = true
			region = l.regionFile(file, folder)
		case strings.HasSuffix(name, ".cases.yaml"):
			cases[strings.TrimSuffix(name, ".cases.yaml")] = true
		default:
			effective, err := ParseDate(strings.TrimSuffix(name, ".yaml"))
			if err != nil {
				l.whole(file, said("region.yaml, <YYYY-MM-DD>.yaml or <YYYY-MM-DD>.cases.yaml"), verbatim(name), said("name the file after the day from which its criteria are in force"))
				continue
			}
			seen[effective.String()] = true
			if p := l.packFile(file, effective); p != nil {
				versions = append(versions, p)
			}
		}
	}
	if !seen["region"] {
		l.whole(path.Join(folder, "region.yaml"), said("the file that names the region and its payer"), said("no such file"), said("copy xx-example/region.yaml and fill it in"))
	}
	delete(seen, "region")
	if len(seen) == 0 {
		l.whole(folder, said("at least one version, <YYYY-MM-DD>.yaml"), said("none"), said("copy a version from xx-example and fill it in"))
	}
	for date := range seen {
		if !cases[date] {
			l.whole(path.Join(folder, date+".cases.yaml"), said("boundary cases beside the version"), said("no such file"), said("write cases below, at and above each figure"))
		}
	}
	for date := range cases {
		if !seen[date] {
			l.whole(path.Join(folder, date+".cases.yaml"), said("the version %s.yaml beside its cases", date), said("no such file"), said("rename the cases after their version, or delete them"))
		}
	}
	l.library.add(region, versions)
}

// read returns the bytes of a file, or adds a problem.
func (l *loader) read(file string) ([]byte, bool) {
	f, err := l.fsys.Open(file)
	if err == nil {
		defer f.Close()
		var data []byte
		if data, err = io.ReadAll(io.LimitReader(f, maxFile+1)); err == nil {
			if len(data) > maxFile {
				l.whole(file, said("at most %d bytes", maxFile), said("more"), said("split it: one file for each version"))
				return nil, false
			}
			return data, true
		}
	}
	l.whole(file, said("a file that can be read"), literal(err.Error()), said("mend the rights of the file"))
	return nil, false
}

func (l *loader) regionFile(file, folder string) Region {
	var r Region
	data, ok := l.read(file)
	if !ok {
		return r
	}
	r, problems := readRegion(data, file, folder)
	l.problems = append(l.problems, problems...)
	return r
}

func readRegion(data []byte, file, folder string) (Region, Problems) {
	r := Region{Text: string(data)}
	d := parse(file, data)
	d.decode(&r)
	d.validate(&r)
	d.checkApplies(r)
	if r.Region != "" && r.Region != folder {
		var top *step
		d.fault(top.in("region"), said("the name of its folder, %s", quote(folder)), verbatim(r.Region), said("write region: %s, or rename the folder", folder))
	}
	r.Region = folder
	return r, d.problems
}

func (l *loader) packFile(file string, effective Date) *Pack {
	data, ok := l.read(file)
	if !ok {
		return nil
	}
	p := &Pack{File: file, SHA256: hashOf(data), Text: data, CasesFile: strings.TrimSuffix(file, ".yaml") + ".cases.yaml"}
	d := parse(file, data)
	d.decode(p)
	if d.root != nil {
		d.validate(p)
		d.check(p, effective)
	}
	l.problems = append(l.problems, d.problems...)
	if _, err := fs.Stat(l.fsys, p.CasesFile); !errors.Is(err, fs.ErrNotExist) {
		p.Cases, _ = l.read(p.CasesFile)
	}
	return p
}

func hashOf(data []byte) string {
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])
}

// checker is the shared validator of the tags in pack.go; it names fields by
// their YAML keys.
var checker = sync.OnceValue(func() *validator.Validate {
	v := validator.New(validator.WithRequiredStructEnabled())
	v.RegisterTagNameFunc(func(f reflect.StructField) string {
		key, _ := yamlKey(f)
		return key
	})
	return v
})

// validate runs the validator and tells its findings in the maintainer's
// words, at their place in the file.
func (d *document) validate(v any) {
	if d.root == nil {
		return
	}
	var failures validator.ValidationErrors
	if err := checker().Struct(v); !errors.As(err, &failures) {
		return
	}
	for _, f := range failures {
		_, namespace, _ := strings.Cut(f.Namespace(), ".")
		at := stepsOf(namespace)
		if d.bad[at.String()] || d.bad[at.up.String()] {
			continue
		}
		switch f.Tag() {
		case "required", "required_unless":
			owner := typeAt(reflect.TypeOf(v), at.up)
			for owner.Kind() == reflect.Pointer {
				owner = owner.Elem()
			}
			d.fault(at, said("the key %s", f.Field()), said("none"), hint(owner, f.Field()))
		case "oneof":
			words := strings.Fields(f.Param())
			d.fault(at, said("one of %s", strings.Join(words, ", ")), verbatim(fmt.Sprint(f.Value())), didYouMean(fmt.Sprint(f.Value()), words))
		case "required_with":
			d.fault(at, said("the key %s beside the payer", f.Field()), said("none"), hint(reflect.TypeFor[Applies](), f.Field()))
		case "iso3166_1_alpha2|iso3166_2":
			d.fault(at, said("a code of ISO 3166, two letters of a country or a subdivision such as US-NC"), verbatim(fmt.Sprint(f.Value())), said("look it up at the agency of the standard"))
		default: // min
			d.fault(at, said("at least %s", f.Param()), literal(fmt.Sprint(f.Value())), said("write %s or more", f.Param()))
		}
	}
}

// stepsOf reads a path as step.String and the validator print it. Names hold
// neither dots nor brackets (namePattern).
func stepsOf(s string) *step {
	var at *step
	for _, part := range strings.FieldsFunc(s, func(r rune) bool { return r == '.' || r == '[' }) {
		name, isIndex := strings.CutSuffix(part, "]")
		i := 0
		if isIndex {
			if _, err := fmt.Sscanf(name, "%d", &i); err == nil {
				at = at.at(i)
				continue
			}
		}
		at = at.in(name)
	}
	return at
}
