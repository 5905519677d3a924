package main

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/csv"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"airwarrant/qualify/rehearsal"
)

// replayFile keeps how far a replay is, with the lines of cases so far: so that
// no number of them is held at once, and a replay that was interrupted, or killed,
// goes on. It is written page by page, each with its lines and then the progress
// after it; what stands behind the last progress counts for nothing.
type replayFile struct {
	f     *os.File
	end   int64 // behind the last progress
	lines []rehearsal.Line
}

// replayRecord is one line of the file.
type replayRecord struct {
	Line     *rehearsal.Line     `json:"line,omitempty"`
	Progress *rehearsal.Progress `json:"progress,omitempty"`
}

// replayPlace is where a replay of a plan over a store keeps how far it is: beside
// a store on this machine, else where the user's programs keep such things.
func replayPlace(sf *storeFlags, plan string) (string, error) {
	if !sf.elsewhere() {
		dir, err := sf.dir()
		return filepath.Join(dir, "replay", plan[:32]+".lines"), err
	}
	dir, err := os.UserCacheDir()
	if err != nil {
		return "", fmt.Errorf("replay: %w; set a place for temporary files", err)
	}
	sum := sha256.Sum256([]byte(*sf.table + "\x00" + *sf.bucket))
	return filepath.Join(dir, "airwarrant", "replay", plan[:32]+"-"+hex.EncodeToString(sum[:8])+".lines"), nil
}

// openReplay opens the file of a plan and returns how far it is. Without resume
// it begins anew.
func openReplay(name, plan string, resume bool) (*replayFile, rehearsal.Progress, error) {
	var at rehearsal.Progress
	if err := os.MkdirAll(filepath.Dir(name), 0o700); err != nil {
		return nil, at, fmt.Errorf("replay: %w; make room beside the store", err)
	}
	how := os.O_RDWR | os.O_CREATE
	if !resume {
		how |= os.O_TRUNC
	}
	f, err := os.OpenFile(name, how, 0o600)
	if err != nil {
		return nil, at, fmt.Errorf("replay: %w; make room beside the store", err)
	}
	k := &replayFile{f: f}
	err = k.read(func(r replayRecord, end int64) error {
		if r.Progress != nil && r.Progress.Plan == plan {
			at, k.end = *r.Progress, end
		}
		return nil
	})
	if err == nil {
		err = f.Truncate(k.end)
	}
	if err != nil {
		return nil, at, errors.Join(fmt.Errorf("replay: %s: %w", name, err), f.Close())
	}
	return k, at, nil
}

// read goes through the whole lines of the file; end is where each ends.
func (k *replayFile) read(each func(r replayRecord, end int64) error) error {
	if _, err := k.f.Seek(0, io.SeekStart); err != nil {
		return err
	}
	in := bufio.NewReader(k.f)
	end := int64(0)
	for {
		data, err := in.ReadBytes('\n')
		if errors.Is(err, io.EOF) {
			return nil // what has no line end was cut off
		}
		if err != nil {
			return err
		}
		end += int64(len(data))
		var r replayRecord
		if json.Unmarshal(data, &r) != nil {
			return nil // and so was what can't be read
		}
		if err := each(r, end); err != nil {
			return err
		}
	}
}

// add takes a line of the page in hand.
func (k *replayFile) add(l rehearsal.Line) error {
	k.lines = append(k.lines, l)
	return nil
}

// page writes the page in hand with the progress after it.
func (k *replayFile) page(at rehearsal.Progress) error {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	for i := range k.lines {
		if err := enc.Encode(replayRecord{Line: &k.lines[i]}); err != nil {
			return err
		}
	}
	if err := enc.Encode(replayRecord{Progress: &at}); err != nil {
		return err
	}
	if _, err := k.f.WriteAt(b.Bytes(), k.end); err != nil {
		return fmt.Errorf("replay: %w; make room for the lines of cases", err)
	}
	k.end += int64(b.Len())
	k.lines = nil
	return nil
}

// each gives every line of a case.
func (k *replayFile) each(f func(l rehearsal.Line) error) error {
	return k.read(func(r replayRecord, _ int64) error {
		if r.Line == nil {
			return nil
		}
		return f(*r.Line)
	})
}

// close ends with the file; a replay that is through needs it no longer.
func (k *replayFile) close(done bool) error {
	err := k.f.Close()
	if done {
		err = errors.Join(err, os.Remove(k.f.Name()))
	}
	return err
}

// run replays a plan and keeps how far it is after every page.
func (k *replayFile) run(ctx context.Context, p *rehearsal.Plan, cases rehearsal.Cases, from rehearsal.Progress, tell func(rehearsal.Progress)) (rehearsal.Progress, error) {
	ctx, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	kept := from
	_, err := p.Run(ctx, cases, from, func(at rehearsal.Progress) {
		if ctx.Err() != nil && !at.Done {
			return
		}
		if err := k.page(at); err != nil {
			stop(err)
			return
		}
		kept = at
		tell(at)
	}, k.add)
	if err != nil {
		if cause := context.Cause(ctx); cause != nil {
			err = cause
		}
	} else if !kept.Done {
		err = context.Cause(ctx) // the last page could not be kept
	}
	return kept, err
}

// writeCSV writes the lines as a table, which appears under its name when it is
// complete.
func (k *replayFile) writeCSV(name string) (err error) {
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
	err = table.Write([]string{"case", "in_force", "draft", "in_force_disposition", "draft_disposition", "in_force_decided_by", "draft_decided_by", "new_facts", "unconfirmed", "stored", "not_replayed"})
	if err == nil {
		err = k.each(func(l rehearsal.Line) error {
			was, will := rehearsal.Verdict{}, rehearsal.Verdict{}
			if l.InForce != nil {
				was, will = *l.InForce, *l.Draft
			}
			return table.Write([]string{l.Case, was.Outcome, will.Outcome, was.Disposition, will.Disposition, strings.Join(was.DecidedBy, " "), strings.Join(will.DecidedBy, " "),
				strings.Join(l.NewFacts, " "), strings.Join(l.Unconfirmed, " "), l.Stored, l.Left})
		})
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

// writeJSON prints the whole: both versions, the lines of cases, the summary.
func (k *replayFile) writeJSON(out io.Writer, p *rehearsal.Plan, s rehearsal.Summary) error {
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
	err := k.each(func(l rehearsal.Line) error {
		data, err := json.Marshal(l)
		if err != nil {
			return err
		}
		w.WriteString(before)
		before = ",\n    "
		_, err = w.Write(data)
		return err
	})
	if err != nil {
		return err
	}
	w.WriteString("]\n}\n")
	return w.Flush()
}
