package rules

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"testing/fstest"
)

const goodRegion = `region: xx-bad
name: Example
payer: Example Coverage Office
select_by: test_date
scope: An invented payer.
`

const goodPack = `effective_from: 2030-01-01
title: Example notice
cites:
  notice: {document: Example Notice}
criteria:
  {id: rest, label: Low at rest, fact: rest_spo2, at_or_below: 90 %, cite: [notice], status: verified}
`

// folder is a region with one version, and with what a test puts over it; an
// empty text takes a file away.
func folder(over map[string]string) fstest.MapFS {
	files := map[string]string{
		"xx-bad/region.yaml":           goodRegion,
		"xx-bad/2030-01-01.yaml":       goodPack,
		"xx-bad/2030-01-01.cases.yaml": "cases: []\n",
	}
	for name, text := range over {
		files[name] = text
	}
	fsys := fstest.MapFS{}
	for name, text := range files {
		if text != "" {
			fsys[name] = &fstest.MapFile{Data: []byte(text)}
		}
	}
	return fsys
}

// badFile is one file of testdata/bad: a pack with one mistake. Its first line
// holds the words of the message and its place, its second whether the JSON
// Schema refuses it too.
type badFile struct {
	name, words, place string
	schema             bool
	data               []byte
}

func badFiles(t testing.TB) []badFile {
	names, err := filepath.Glob("testdata/bad/*.yaml")
	if err != nil || len(names) < 35 {
		t.Fatalf("testdata/bad: %d files, %v", len(names), err)
	}
	files := make([]badFile, len(names))
	for i, name := range names {
		data, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		lines := strings.SplitN(string(data), "\n", 3)
		want, ok1 := strings.CutPrefix(lines[0], "# want: ")
		schema, ok2 := strings.CutPrefix(lines[1], "# schema: ")
		comma := strings.LastIndex(want, ", ")
		if !ok1 || !ok2 || comma < 0 || schema != "refuses" && schema != "accepts" {
			t.Fatalf("%s: the first two lines must read \"# want: words, line:column\" and \"# schema: refuses\" or \"accepts\"", name)
		}
		files[i] = badFile{filepath.Base(name), want[:comma], want[comma+2:], schema == "refuses", data}
	}
	return files
}

// Each mistake is told once, at its place, and nothing else is.
func TestBadFiles(t *testing.T) {
	for _, f := range badFiles(t) {
		t.Run(f.name, func(t *testing.T) {
			l, err := Load(folder(map[string]string{"xx-bad/2030-01-01.yaml": string(f.data)}))
			if l != nil {
				t.Error("a library although the pack is bad")
			}
			var ps Problems
			if !errors.As(err, &ps) || len(ps) != 1 {
				t.Fatalf("want one problem with %q, got:\n%v", f.words, err)
			}
			p := ps[0]
			if place := fmt.Sprintf("%d:%d", p.Line, p.Column); place != f.place || !strings.Contains(p.String(), f.words) {
				t.Errorf("got  %s\nwant %s … %q", p, f.place, f.words)
			}
			if p.File != "xx-bad/2030-01-01.yaml" || p.Expected.IsZero() || p.Found.IsZero() || p.Mend.IsZero() {
				t.Errorf("a part of the problem is empty: %+v", p)
			}
		})
	}
}

// deep is a key inside a key inside a key.
func deep(levels int) string {
	var b strings.Builder
	for i := range levels {
		b.WriteString(strings.Repeat(" ", i) + "a:\n")
	}
	return b.String()
}

func TestBadFolders(t *testing.T) {
	cases := []struct {
		name string
		over map[string]string
		want []string // one for each problem, in order
	}{
		{"good", nil, nil},
		{"texts beside the packs are ignored", map[string]string{"README.md": "x", "xx-bad/CHANGES.md": "x", "xx-bad/.2030.yaml": "x"}, nil},
		{"lines end as on another system", map[string]string{"xx-bad/2030-01-01.yaml": strings.ReplaceAll(goodPack, "\n", "\r\n")}, nil},
		{"a mark of the byte order", map[string]string{"xx-bad/2030-01-01.yaml": "\uFEFF" + goodPack}, nil},
		{"a mark at the beginning and at the end", map[string]string{"xx-bad/2030-01-01.yaml": "---\n" + goodPack + "...\n"}, nil},
		{"lines and columns do not hang on line ends", map[string]string{"xx-bad/2030-01-01.yaml": strings.ReplaceAll(strings.Replace(goodPack, "90 %", "90%", 1), "\n", "\r\n")}, []string{`xx-bad/2030-01-01.yaml:6:64: criteria.at_or_below: expected a number, or a number, one blank and a unit`}},
		{"columns count characters, not bytes", map[string]string{"xx-bad/2030-01-01.yaml": strings.NewReplacer("Low at rest", "≤ 90 é à l’arrêt", "rest_spo2", "rest_spo").Replace(goodPack)}, []string{"xx-bad/2030-01-01.yaml:6:45: criteria.fact: "}},
		{"two marks at the beginning", map[string]string{"xx-bad/2030-01-01.yaml": "---\n---\n" + goodPack}, []string{"xx-bad/2030-01-01.yaml:2:1: expected one document"}},
		{"more after the end", map[string]string{"xx-bad/2030-01-01.yaml": goodPack + "...\nmore: 1\n"}, []string{"xx-bad/2030-01-01.yaml:8:1: expected one document"}},
		{"no region file", map[string]string{"xx-bad/region.yaml": ""}, []string{"xx-bad/region.yaml: expected the file that names the region"}},
		{"no cases", map[string]string{"xx-bad/2030-01-01.cases.yaml": ""}, []string{"xx-bad/2030-01-01.cases.yaml: expected boundary cases"}},
		{"cases without a version", map[string]string{"xx-bad/2031-01-01.cases.yaml": "cases: []"}, []string{"xx-bad/2031-01-01.cases.yaml: expected the version 2031-01-01.yaml"}},
		{"no version", map[string]string{"xx-bad/2030-01-01.yaml": "", "xx-bad/2030-01-01.cases.yaml": ""}, []string{"xx-bad: expected at least one version"}},
		{"another name", map[string]string{"xx-bad/draft.yaml": goodPack}, []string{`xx-bad/draft.yaml: expected region.yaml, <YYYY-MM-DD>.yaml`}},
		{"the other ending", map[string]string{"xx-bad/2031-01-01.yml": goodPack}, []string{`xx-bad/2031-01-01.yml: expected region.yaml`}},
		{"a version beside the folders", map[string]string{"2030-01-01.yaml": goodPack}, []string{"2030-01-01.yaml: expected folders of regions"}},
		{"a folder in a region", map[string]string{"xx-bad/old/2030-01-01.yaml": goodPack}, []string{"xx-bad/old: expected files alone"}},
		{"name of the folder", map[string]string{"XX/region.yaml": strings.Replace(goodRegion, "xx-bad", "XX", 1), "XX/2030-01-01.yaml": goodPack, "XX/2030-01-01.cases.yaml": "cases: []"},
			[]string{`XX: expected a folder name of small letters`}},
		{"region of another folder", map[string]string{"xx-bad/region.yaml": strings.Replace(goodRegion, "xx-bad", "xx-good", 1)}, []string{`xx-bad/region.yaml:1:9: region: expected the name of its folder, "xx-bad"; found "xx-good"`}},
		{"region without payer", map[string]string{"xx-bad/region.yaml": strings.Replace(goodRegion, "payer: Example Coverage Office\n", "", 1)}, []string{`xx-bad/region.yaml:1:1: payer: expected the key payer; found none; add payer: who pays and decides`}},
		{"an empty version", map[string]string{"xx-bad/2030-01-01.yaml": "# nothing\n"}, []string{"xx-bad/2030-01-01.yaml:1:1: expected keys and values; found an empty file"}},
		{"not UTF-8", map[string]string{"xx-bad/2030-01-01.yaml": "title: é\xff"}, []string{"xx-bad/2030-01-01.yaml:1:9: expected text in UTF-8; found the byte 0xff"}},
		{"a list for a version", map[string]string{"xx-bad/2030-01-01.yaml": "- a\n"}, []string{"xx-bad/2030-01-01.yaml:1:1: expected keys: effective_from"}},
		{"too deep by indentation", map[string]string{"xx-bad/2030-01-01.yaml": deep(40)}, []string{"xx-bad/2030-01-01.yaml:34:34: expected at most 32 levels of nesting"}},
		{"too deep by dashes", map[string]string{"xx-bad/2030-01-01.yaml": strings.Repeat("- ", 40) + "a\n"}, []string{"xx-bad/2030-01-01.yaml:1:65: expected at most 32 levels of nesting"}},
		{"too many words", map[string]string{"xx-bad/2030-01-01.yaml": strings.Repeat("a: 1\n", 11_000)}, []string{"xx-bad/2030-01-01.yaml:10001:1: expected at most 30000 words and signs"}},
		{"too long", map[string]string{"xx-bad/2030-01-01.yaml": strings.Repeat("# long\n", 1<<18)}, []string{"xx-bad/2030-01-01.yaml: expected at most 262144 bytes"}},
		{"faults of several files at once", map[string]string{
			"xx-bad/region.yaml":           strings.Replace(goodRegion, "name:", "nmae:", 1),
			"xx-bad/2030-01-01.yaml":       strings.NewReplacer("rest_spo2", "rest_spo", "verified", "sure").Replace(goodPack),
			"xx-bad/2031-01-01.yaml":       strings.NewReplacer("2030", "2032", "90 %", "190 %").Replace(goodPack),
			"xx-bad/2031-01-01.cases.yaml": "cases: []",
		}, []string{
			`xx-bad/2030-01-01.yaml:6:40: criteria.fact: expected a fact of the vocabulary; found "rest_spo"; did you mean "rest_spo2"?`,
			`xx-bad/2030-01-01.yaml:6:93: criteria.status: expected one of verified, verified-secondary, draft; found "sure"`,
			`xx-bad/2031-01-01.yaml:1:17: effective_from: expected the date of the file's name, 2031-01-01; found 2032-01-01`,
			`xx-bad/2031-01-01.yaml:6:64: criteria.at_or_below: expected a figure between 0 % and 100 %; found "190 %"`,
			`xx-bad/region.yaml:2:1: nmae: expected a known key; found "nmae"; did you mean "name"?`,
		}},
		{"no more than 200 faults of a file", map[string]string{"xx-bad/2030-01-01.yaml": goodPack + strings.Repeat("wrong: 1\n", 300)},
			append(slices.Repeat([]string{"expected a known key"}, 200), "expected at most 200 faults in one file; found more")},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			l, err := Load(folder(c.over))
			if (err == nil) != (l != nil) {
				t.Errorf("library %v with error %v", l, err)
			}
			var ps Problems
			errors.As(err, &ps)
			if len(ps) != len(c.want) {
				t.Fatalf("want %d problems, got:\n%v", len(c.want), err)
			}
			for i, want := range c.want {
				if !strings.Contains(ps[i].String(), want) {
					t.Errorf("got  %s\nwant %s", ps[i], want)
				}
			}
		})
	}
	if l, err := Load(fstest.MapFS{"README.md": {Data: []byte("x")}}); l != nil || err == nil || !strings.Contains(err.Error(), "a folder for each region") {
		t.Errorf("a folder without regions: %v, %v", l, err)
	}
	if l, err := Load(os.DirFS("testdata/missing")); l != nil || err == nil || !strings.Contains(err.Error(), "expected a folder of packs") {
		t.Errorf("a folder that is missing: %v, %v", l, err)
	}
}

func TestEmbedded(t *testing.T) {
	l, err := Embedded()
	if err != nil {
		t.Fatalf("the packs in the binary have faults:\n%v", err)
	}
	again, _ := Embedded()
	if again != l {
		t.Error("the packs are parsed a second time")
	}
	regions := l.Regions()
	if i := slices.IndexFunc(regions, func(r Region) bool { return r.Region == "xx-example" }); i < 0 || !regions[i].Hidden || i != len(regions)-1 {
		t.Errorf("xx-example must be hidden and stand last: %+v", regions)
	}
	for _, r := range regions {
		for _, p := range l.History(r.Region) {
			if p.SHA256 == "" || len(p.Cases) == 0 || !reflect.DeepEqual(p.Region, r) || p.File == "" {
				t.Errorf("%s: hash, cases or region are missing", p.File)
			}
			p.Walk(func(n *Node, gate bool) {
				if n.Line == 0 || n.Column == 0 {
					t.Errorf("%s: clause %q has no place", p.File, n.ID)
				}
				if s := Describe(n); s == "" || strings.Contains(s, "<nil>") || strings.HasSuffix(s, " ") {
					t.Errorf("%s:%d: described as %q", p.File, n.Line, s)
				}
			})
		}
	}
}
