package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"

	"airwarrant/qualify/casework"
	"airwarrant/qualify/recording"
)

// Kinds of the notes by which one recording on two cases is recognised. Only
// the session that is a case's own test is written down, never another
// person's night in the same file.
const (
	printKind   = "print/"  // then a print: the nights that have it, by their key
	printedKind = "printed" // by the key of a night: its prints are written
	sameKind    = "same/"   // then the number of a case: nights that share prints with it, by their key
)

// testNight is the session of a recording that a case rests on.
type testNight struct {
	Case    string `json:"case"`
	SHA256  string `json:"sha256"` // of the upload
	Session int    `json:"session"`
}

func (n testNight) key() string { return fmt.Sprintf("%s %s %d", n.Case, n.SHA256, n.Session) }

// sameNight is one line of the list of a case: its own night, and another
// that holds the same readings.
type sameNight struct {
	Own   testNight `json:"own"`
	Other testNight `json:"other"`
}

// nightOf returns the night that a case rests on; false if there is none yet.
func nightOf(f *file, ev *evaluation) (testNight, bool) {
	u := f.upload()
	if u == nil || ev.Result == nil || ev.own.Session == 0 || ev.own.Readings[0].Recording == nil {
		return testNight{}, false
	}
	return testNight{f.Number, u.SHA256, ev.own.Session}, true
}

// recognise writes down the prints of the night that a case rests on, and on
// both cases every night that shares one. What a kill leaves undone is done
// when the case is next determined.
func (s *Site) recognise(ctx context.Context, f *file, ev *evaluation) error {
	own, ok := nightOf(f, ev)
	if !ok {
		return nil
	}
	_, err := s.cfg.Store.Note(ctx, printedKind, own.key())
	if !errors.Is(err, casework.ErrNotFound) {
		return err // nil: done before
	}
	rd := ev.own.Readings[0]
	i := slices.Index(rd.Numbers, own.Session)
	prints := recording.Fingerprint(rd.Recording, rd.Sessions[i])
	// The same file is the same night, however little it varies.
	prints = append(prints, fmt.Sprintf("file %s %d", own.SHA256, own.Session))
	mine, err := json.Marshal(own)
	if err != nil {
		return err
	}
	found := map[testNight]bool{}
	for _, p := range prints {
		// Written first: of two that come at once, the later sees the other.
		if err := s.cfg.Store.PutNote(ctx, printKind+p, own.key(), mine); err != nil {
			return err
		}
		page := func(ctx context.Context, after string, limit int) ([]casework.Note, string, error) {
			return s.cfg.Store.Notes(ctx, printKind+p, after, limit)
		}
		for n, err := range casework.All(ctx, page) {
			if err != nil {
				return err
			}
			var other testNight
			if err := json.Unmarshal(n.Data, &other); err != nil {
				return errors.New("a stored print is not readable")
			}
			// Two sessions of one file are two nights, whatever they share.
			if other.Case != own.Case || other.SHA256 != own.SHA256 {
				found[other] = true
			}
		}
	}
	for other := range found {
		for _, line := range []sameNight{{own, other}, {other, own}} {
			raw, err := json.Marshal(line)
			if err != nil {
				return err
			}
			if err := s.cfg.Store.PutNote(ctx, sameKind+line.Own.Case, line.Own.key()+" "+line.Other.key(), raw); err != nil {
				return err
			}
		}
	}
	return s.cfg.Store.PutNote(ctx, printedKind, own.key(), nil)
}

// sameView is what a case page says about other cases of the same night.
type sameView struct {
	Cases  []string // numbers of the cases that rest on it
	Before bool     // this case had it before, in another file that was withdrawn
}

// sameAs lists the cases that rest on the night on which this one rests, or on
// a part of it. It is one test, however often it is sent in.
func (s *Site) sameAs(ctx context.Context, f *file, ev *evaluation) (sameView, error) {
	var v sameView
	own, ok := nightOf(f, ev)
	if !ok {
		return v, nil
	}
	page := func(ctx context.Context, after string, limit int) ([]casework.Note, string, error) {
		return s.cfg.Store.Notes(ctx, sameKind+f.Number, after, limit)
	}
	for n, err := range casework.All(ctx, page) {
		if err != nil {
			return v, err
		}
		var line sameNight
		if err := json.Unmarshal(n.Data, &line); err != nil {
			return v, errors.New("a stored note on the same night is not readable")
		}
		switch {
		case line.Own != own:
			continue // of a recording that was withdrawn, or a session that was not it
		case line.Other.Case == f.Number:
			v.Before = true
			continue
		}
		c, err := casework.Open(ctx, s.cfg.Store, line.Other.Case)
		if err != nil {
			return v, err
		}
		u := (&file{Case: c}).upload()
		if u != nil && u.SHA256 == line.Other.SHA256 && max(u.Session, 1) == line.Other.Session && !slices.Contains(v.Cases, c.Number) {
			v.Cases = append(v.Cases, c.Number)
		}
	}
	slices.Sort(v.Cases)
	return v, nil
}
