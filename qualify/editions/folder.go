package editions

import (
	"context"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strings"

	"airwarrant/rules"
)

// File is one file of a folder of packs: a name with forward slashes, of a region
// and a file in it, and its bytes.
type File struct {
	Name string
	Data []byte
}

// Export lists the files of a library as a folder that rules.Load reads, in the
// order of their names: <region>/region.yaml and, for each version that counts,
// <region>/<effective-date>.yaml and its cases, byte for byte as they were
// published. Versions that were withdrawn or corrected are not among them. It
// fails, with no file, if a version that counts can't be read: the folder would
// say less than counts.
func Export(lib *rules.Library) ([]File, error) {
	var out []File
	for _, r := range lib.Regions() {
		if r.Text == "" {
			return nil, fmt.Errorf("%s: expected the text of region.yaml, found none; restore the store from a backup", r.Region)
		}
		out = append(out, File{path.Join(r.Region, "region.yaml"), []byte(r.Text)})
		for _, p := range lib.History(r.Region) {
			if p.Unreadable != "" {
				return nil, fmt.Errorf("%s from %s can't be read: %s", r.Region, p.EffectiveFrom, p.Unreadable)
			}
			name := path.Join(r.Region, p.EffectiveFrom.String())
			out = append(out, File{name + ".yaml", p.Text}, File{name + ".cases.yaml", p.Cases})
		}
	}
	slices.SortFunc(out, func(a, b File) int { return strings.Compare(a.Name, b.Name) })
	return out, nil
}

// Imported is what became of the versions of a folder.
type Imported struct {
	Drafts  []Draft  `json:"drafts"`  // that were made, by region and day
	Same    []string `json:"same"`    // versions that count already, as REGION@DATE
	Waiting []string `json:"waiting"` // of which there is such a draft already
	Absent  []string `json:"absent"`  // versions that count of regions of the folder and are not in it: they stay
}

// Import makes a draft of every version of a folder of packs that says otherwise
// than what counts here: a new one, or a correction of the version of that day.
// Nothing of it counts before it was rehearsed, proposed and approved like any
// draft, one after the other where several follow each other. The error is
// rules.Problems with every fault of the folder, and then no draft is made.
func (b *Book) Import(ctx context.Context, who Person, folder fs.FS) (Imported, error) {
	out := Imported{Drafts: []Draft{}, Same: []string{}, Waiting: []string{}, Absent: []string{}}
	if err := who.writes(); err != nil {
		return out, err
	}
	in, err := rules.Load(folder)
	if err != nil {
		return out, err
	}
	lib, err := b.Current(ctx)
	if err != nil {
		return out, err
	}
	waiting, err := b.Drafts(ctx)
	if err != nil {
		return out, err
	}
	var begin []Beginning
	for _, r := range in.Regions() {
		now, err := lib.Region(r.Region)
		text := r.Text
		if err == nil && now.Text == r.Text {
			text = ""
		}
		carried := false // whether some draft bears the changed region.yaml
		versions := in.History(r.Region)
		for i, p := range versions {
			x := Beginning{Region: r.Region, Texts: Texts{Pack: string(p.Text), Cases: string(p.Cases), Region: text}}
			if q, err := lib.At(r.Region, p.EffectiveFrom); err == nil {
				// Where region.yaml alone changed, the newest version carries it.
				if q.SHA256 == p.SHA256 && string(q.Cases) == string(p.Cases) && (text == "" || carried || i < len(versions)-1) {
					out.Same = append(out.Same, r.Region+"@"+p.EffectiveFrom.String())
					continue
				}
				x.Corrects = q.SHA256
			}
			carried = true
			d := Draft{Region: x.Region, Texts: x.Texts, Corrects: x.Corrects}
			if err := d.fits(); err != nil {
				return out, err
			}
			if slices.ContainsFunc(waiting, func(w Draft) bool { return w.SHA256() == d.SHA256() }) {
				out.Waiting = append(out.Waiting, r.Region+"@"+p.EffectiveFrom.String())
				continue
			}
			begin = append(begin, x)
		}
		for _, q := range lib.History(r.Region) {
			if _, err := in.At(r.Region, q.EffectiveFrom); err != nil {
				out.Absent = append(out.Absent, r.Region+"@"+q.EffectiveFrom.String())
			}
		}
	}
	for _, x := range begin {
		d, err := b.NewDraft(ctx, who, x)
		if err != nil {
			return out, err
		}
		out.Drafts = append(out.Drafts, d)
	}
	return out, nil
}
