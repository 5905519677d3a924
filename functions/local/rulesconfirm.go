package main

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"slices"
	"strings"
	"time"

	"airwarrant/qualify/criteria"
	"airwarrant/rules"
)

// versionOf finds the version named as REGION, which is the newest, or
// REGION@DATE, which is the one in force on that day.
func versionOf(word string, lib *rules.Library) (*rules.Pack, error) {
	region, date, dated := strings.Cut(word, "@")
	regions, err := regionList(region, lib)
	if err != nil {
		return nil, err
	}
	if len(regions) != 1 {
		return nil, fmt.Errorf("%q: expected one REGION or REGION@DATE", word)
	}
	h := lib.History(regions[0])
	if !dated {
		return h[len(h)-1], nil
	}
	on, err := rules.ParseDate(date)
	if err != nil {
		return nil, fmt.Errorf("%s: %w; write REGION@2030-01-31", word, err)
	}
	if p, err := lib.At(regions[0], on); err == nil {
		return p, nil // a withdrawal is in force too
	}
	return lib.InForce(regions[0], on)
}

// readConfirmations reads the file of --confirmed and refuses what does not
// hold for the packs in use; "" confirms nothing.
func readConfirmations(file string, lib *rules.Library) (map[string]criteria.Confirmations, error) {
	if file == "" {
		return nil, nil
	}
	data, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("--confirmed: %w; check the name", err)
	}
	list, err := criteria.ParseConfirmations(data, file)
	if err != nil {
		return nil, err
	}
	return criteria.Confirmed(list, lib)
}

// confirmFlags are what rules confirm asks for beside the clause.
type confirmFlags struct{ file, by, edition, document, on string }

// rulesConfirm puts a record behind those of a file, which it makes if there is
// none, and prints it.
func rulesConfirm(words []string, f confirmFlags, lib *rules.Library, w io.Writer) error {
	if len(words) != 2 {
		return fmt.Errorf("rules confirm: expected REGION[@DATE] and CLAUSE, found %d words; see airwarrant --help", len(words))
	}
	for _, x := range [][2]string{{"--confirmed", f.file}, {"--by", f.by}, {"--edition", f.edition}, {"--document", f.document}} {
		if strings.TrimSpace(x[1]) == "" {
			return fmt.Errorf("rules confirm: expected %s, found none; see airwarrant --help", x[0])
		}
	}
	p, err := versionOf(words[0], lib)
	if err != nil {
		return err
	}
	now := time.Now()
	c := criteria.Confirmation{Region: p.Region.Region, Version: p.EffectiveFrom, PackSHA256: p.SHA256, Clause: words[1],
		By: f.by, Edition: f.edition, On: rules.Date{Year: now.Year(), Month: int(now.Month()), Day: now.Day()}}
	if f.on != "" {
		if c.On, err = day(f.on); err != nil {
			return err
		}
	}
	doc, err := os.Open(f.document)
	if err != nil {
		return fmt.Errorf("--document: %w; name the copy of the document that was read", err)
	}
	defer doc.Close()
	h := sha256.New()
	if _, err := io.Copy(h, doc); err != nil {
		return fmt.Errorf("--document: %w", err)
	}
	c.DocumentSHA256 = hex.EncodeToString(h.Sum(nil))

	data, err := os.ReadFile(f.file)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("--confirmed: %w", err)
	}
	list, err := criteria.ParseConfirmations(data, f.file)
	if err != nil {
		return err
	}
	if len(list) == 0 || list[len(list)-1].Seal != "" {
		previous := ""
		if len(list) > 0 {
			previous = list[len(list)-1].Seal
		}
		c.Seal = criteria.SealOf(previous, c)
	}
	if len(data) > 0 && data[len(data)-1] != '\n' {
		data = append(data, '\n')
	}
	data = append(data, c.YAML()...)
	// What was typed is checked as a reader will.
	if list, err = criteria.ParseConfirmations(data, f.file); err != nil {
		return err
	}
	if _, err := criteria.Confirmed(list[len(list)-1:], lib); err != nil {
		return err
	}
	if err := replaceFile(f.file, data); err != nil {
		return fmt.Errorf("--confirmed: %w", err)
	}
	_, err = io.WriteString(w, c.YAML())
	return err
}

// replaceFile writes a file whole or not at all.
func replaceFile(name string, data []byte) error {
	next := name + ".new"
	if err := os.WriteFile(next, data, 0o600); err != nil {
		return err
	}
	return os.Rename(next, name)
}

// comparedPacks is the JSON of rules compare.
type comparedPacks struct {
	A           version            `json:"a"`
	B           version            `json:"b"`
	Differences []rules.Difference `json:"differences"`
}

func rulesCompare(words []string, lib *rules.Library, asJSON bool, w io.Writer) error {
	if len(words) != 2 {
		return fmt.Errorf("rules compare: expected two of REGION[@DATE], found %d; see airwarrant --help", len(words))
	}
	a, err := versionOf(words[0], lib)
	if err != nil {
		return err
	}
	b, err := versionOf(words[1], lib)
	if err != nil {
		return err
	}
	differences := rules.Compare(a, b)
	if asJSON {
		return writeJSON(w, comparedPacks{listedVersion(a), listedVersion(b), append([]rules.Difference{}, differences...)})
	}
	fmt.Fprintf(w, "%s from %s, then %s from %s\n\n", a.Region.Region, a.EffectiveFrom, b.Region.Region, b.EffectiveFrom)
	if len(differences) == 0 {
		fmt.Fprintln(w, "They say the same.")
	}
	for _, kind := range []string{"added", "removed", "changed"} {
		var lines []string
		for _, d := range differences {
			if d.Kind == kind {
				lines = append(lines, "- "+d.Text)
			}
		}
		if len(lines) > 0 {
			fmt.Fprintf(w, "%s (%d)\n%s\n\n", strings.ToUpper(kind[:1])+kind[1:], len(lines), strings.Join(lines, "\n"))
		}
	}
	return nil
}

// confirm marks what a maintainer has confirmed, in s and its parts.
func (s *shownClause) confirm(conf criteria.Confirmations) {
	if c, ok := conf[s.ID]; ok && s.Status == rules.Draft {
		s.Confirmed = c.String()
	}
	for i := range s.Children {
		s.Children[i].confirm(conf)
	}
}

// confirmedTexts tells who confirmed what, in the order of ids.
func confirmedTexts(conf criteria.Confirmations) []string {
	out := []string{}
	for _, id := range slices.Sorted(maps.Keys(conf)) {
		out = append(out, id+": confirmed by "+conf[id].String())
	}
	return out
}
