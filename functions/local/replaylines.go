package main

import (
	"bufio"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"os"

	"airwarrant/qualify/rehearsal"
)

// writeLinesCSV writes the lines as a table, which appears under its name when it is
// complete.
func writeLinesCSV(name string, lines iter.Seq2[rehearsal.Line, error]) (err error) {
	f, err := os.OpenFile(name+".new", os.O_CREATE|os.O_WRONLY|os.O_TRUNC, 0o600)
	if err != nil {
		return fmt.Errorf("--csv: %w; choose a place that can be written", err)
	}
	defer func() {
		if err != nil {
			err = fmt.Errorf("--csv: %w", errors.Join(err, ignoreMissing(os.Remove(f.Name()))))
		}
	}()
	table := csv.NewWriter(f)
	err = table.Write(rehearsal.Columns)
	for l, lerr := range lines {
		if err = errors.Join(err, lerr); err != nil {
			break
		}
		err = table.Write(l.Row())
	}
	table.Flush()
	if err = errors.Join(err, table.Error(), f.Close()); err != nil {
		return err
	}
	return os.Rename(f.Name(), name)
}

func ignoreMissing(err error) error {
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return err
}

// writeLinesJSON prints the whole: both versions, the lines of cases, the summary.
func writeLinesJSON(out io.Writer, p *rehearsal.Plan, s rehearsal.Summary, lines iter.Seq2[rehearsal.Line, error]) error {
	w := bufio.NewWriter(out)
	var parts [][]byte
	for _, v := range []any{p.Draft.Region.Region, listedVersion(p.InForce), listedVersion(p.Draft), p.Carried, s} {
		data, err := json.Marshal(v)
		if err != nil {
			return err
		}
		parts = append(parts, data)
	}
	fmt.Fprintf(w, "{\n  \"criteria\": %s,\n  \"in_force\": %s,\n  \"draft\": %s,\n  \"carried\": %s,\n  \"summary\": %s,\n  \"cases\": [", parts[0], parts[1], parts[2], parts[3], parts[4])
	before := "\n    "
	for l, err := range lines {
		if err != nil {
			return err
		}
		data, err := json.Marshal(l)
		if err != nil {
			return err
		}
		w.WriteString(before)
		before = ",\n    "
		w.Write(data) // what fails is told by Flush
	}
	w.WriteString("]\n}\n")
	return w.Flush()
}
