package editions_test

import (
	"bytes"
	"strings"
	"testing"
	"testing/fstest"

	"airwarrant/qualify/editions"
	"airwarrant/rules"
)

func folderOf(files []editions.File) fstest.MapFS {
	out := fstest.MapFS{}
	for _, f := range files {
		out[f.Name] = &fstest.MapFile{Data: f.Data}
	}
	return out
}

func (h *house) export() []editions.File {
	h.t.Helper()
	lib, err := h.Current(h.t.Context())
	if err != nil {
		h.t.Fatal(err)
	}
	files, err := editions.Export(lib)
	if err != nil {
		h.t.Fatal(err)
	}
	return files
}

func sameFiles(t testing.TB, a, b []editions.File) {
	t.Helper()
	if len(a) != len(b) {
		t.Fatalf("%d files, expected %d", len(b), len(a))
	}
	for i := range a {
		if a[i].Name != b[i].Name || !bytes.Equal(a[i].Data, b[i].Data) {
			t.Errorf("%s differs from %s", a[i].Name, b[i].Name)
		}
	}
}

var cli = editions.Person{Account: "the command line", Name: "the command line", Role: "system"}

// What one house exports another one imports, and exports the same bytes once two
// people have agreed to it.
func TestExportImport(t *testing.T) {
	one := newHouse(t)
	one.approve(one.propose(one.rehearsed(one.draft(second, cases87)), editions.Proposing{}))
	// A region of its own, with an odd spelling that has to survive.
	own := editions.Texts{Pack: "# ours\r\n" + strings.ReplaceAll(strings.ReplaceAll(first, "xx-house", "xx-own"), "\n", "\r\n") + "\n\n", Cases: "# cases\n" + cases,
		Region: "region:   xx-own\nname: Own\npayer: Own (invented)\nselect_by: test_date\nscope: Invented, for tests.\n"}
	d, err := one.NewDraft(t.Context(), ana, editions.Beginning{Region: "xx-own", Texts: own})
	if err != nil {
		t.Fatal(err)
	}
	one.approve(one.propose(d, editions.Proposing{}))
	files := one.export()
	if len(files) != 8 {
		t.Fatalf("%d files", len(files))
	}
	if _, err := rules.Load(folderOf(files)); err != nil {
		t.Fatal(err)
	}

	// Into the same house: nothing to do.
	got, err := one.Import(t.Context(), cli, folderOf(files))
	if err != nil || len(got.Drafts)+len(got.Waiting)+len(got.Absent) != 0 || len(got.Same) != 3 {
		t.Fatalf("%+v %v", got, err)
	}

	two := newHouse(t)
	got, err = two.Import(t.Context(), cli, folderOf(files))
	if err != nil || len(got.Drafts) != 2 || len(got.Same) != 1 {
		t.Fatalf("%+v %v", got, err)
	}
	if again, err := two.Import(t.Context(), cli, folderOf(files)); err != nil || len(again.Drafts) != 0 || len(again.Waiting) != 2 {
		t.Errorf("a second import: %+v %v", again, err)
	}
	if len(two.export()) != 3 {
		t.Error("what was imported counts before a second person agreed")
	}
	for _, d := range got.Drafts {
		if d.Region == region {
			two.rehearsed(d)
		}
		two.approve(two.propose(d, editions.Proposing{}))
	}
	sameFiles(t, files, two.export())
}

// A folder that changes a past version, its cases or its region alone makes
// corrections, and what it lacks stays.
func TestImportCorrects(t *testing.T) {
	h := newHouse(t)
	h.approve(h.propose(h.rehearsed(h.draft(second, cases87)), editions.Proposing{}))
	folder := folderOf(h.export())
	delete(folder, region+"/2030-07-01.yaml")
	delete(folder, region+"/2030-07-01.cases.yaml")
	folder[region+"/2020-01-01.cases.yaml"] = &fstest.MapFile{Data: []byte(cases + "  - {name: low, facts: {rest_spo2: 70}, want: {outcome: qualifies}}\n")}
	folder["CHANGES.md"] = &fstest.MapFile{Data: []byte("what changed")}
	got, err := h.Import(t.Context(), cli, folder)
	if err != nil || len(got.Drafts) != 1 || got.Drafts[0].Corrects == "" || len(got.Absent) != 1 || got.Absent[0] != region+"@2030-07-01" {
		t.Fatalf("%+v %v", got, err)
	}
	before := inForce(t, h, "2025-01-01")
	h.approve(h.propose(h.rehearsed(got.Drafts[0]), editions.Proposing{Reason: "a case more"}))
	lib, err := h.Current(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if p := lib.Find(before); inForce(t, h, "2025-01-01") != before || p == nil || !strings.Contains(string(p.Cases), "name: low") {
		t.Error("the case more is not kept beside the same text")
	}
	// region.yaml alone: the newest version of the folder carries it.
	folder = folderOf(h.export())
	folder[region+"/region.yaml"] = &fstest.MapFile{Data: []byte(strings.ReplaceAll(regionText, "House Mutual", "House and Garden Mutual"))}
	got, err = h.Import(t.Context(), cli, folder)
	if err != nil || len(got.Drafts) != 1 || len(got.Same) != 1 {
		t.Fatalf("%+v %v", got, err)
	}
	h.approve(h.propose(h.rehearsed(got.Drafts[0]), editions.Proposing{Reason: "the payer has another name"}))
	if lib, err = h.Current(t.Context()); err != nil {
		t.Fatal(err)
	}
	if r, err := lib.Region(region); err != nil || r.Name != "House and Garden Mutual" {
		t.Error(r, err)
	}
	sameFiles(t, h.export(), func() []editions.File { b := *h; b.Book = h.another(); return b.export() }())
}

// Names by which a folder or a draft could lead elsewhere are refused.
func TestNamesThatLeadElsewhere(t *testing.T) {
	h := newHouse(t)
	for _, name := range []string{"", ".", "..", "../xx", "xx/../../etc", "/etc", `xx\y`, "xx house", "XX-house", "xx--house", "xx-house/", "xx\x00", "con:", strings.Repeat("x", 65), "é"} {
		_, err := h.NewDraft(t.Context(), ana, editions.Beginning{Region: name, Texts: editions.Texts{Pack: first, Cases: cases, Region: "region: " + name + "\nname: x\npayer: x\nselect_by: test_date\nscope: x.\n"}})
		refusedBy(t, err, editions.RuleRegion, "folder")
	}
	// region.yaml that names another folder than its draft.
	d, err := h.NewDraft(t.Context(), ana, editions.Beginning{Region: "xx-own", Texts: editions.Texts{Pack: first, Cases: cases, Region: regionText}})
	if err != nil {
		t.Fatal(err)
	}
	if r, err := h.Check(t.Context(), d); err != nil || r.Ready() || len(r.Faults) == 0 {
		t.Error(r, err)
	}
	// A folder with a fault leaves nothing behind.
	if _, err := h.Import(t.Context(), cli, fstest.MapFS{"xx_bad/region.yaml": {Data: []byte("region: xx_bad\n")}}); err == nil {
		t.Error("a folder with a bad name was imported")
	}
	if list, err := h.Drafts(t.Context()); err != nil || len(list) != 1 {
		t.Error(list, err)
	}
}
