package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"sync"
	"time"

	"airwarrant/qualify/casework"
)

const (
	// healthWithin is how long the store may take to answer, healthKept how
	// long an answer is given again without asking it (our choice): whoever
	// asks often costs the store nothing.
	healthWithin = 2 * time.Second
	healthKept   = 5 * time.Second
)

// health is what was last found out about the store.
type health struct {
	mu sync.Mutex
	at time.Time
	ok bool
}

// noUpload is the name of a file that no store has: the hash of nothing that
// anybody can send.
var noUpload = strings.Repeat("0", 64)

// healthy reports whether the store answers, both where it keeps entries and
// where it keeps files.
func (s *Site) healthy(ctx context.Context) bool {
	s.health.mu.Lock()
	defer s.health.mu.Unlock()
	now := s.cfg.Now()
	if age := now.Sub(s.health.at); age >= 0 && age < healthKept {
		return s.health.ok
	}
	ctx, cancel := context.WithTimeout(ctx, healthWithin)
	defer cancel()
	_, err := s.cfg.Store.Note(ctx, siteKind, "key")
	if err == nil {
		body, uerr := s.cfg.Store.Upload(ctx, noUpload)
		if uerr == nil {
			body.Close()
		} else if !errors.Is(uerr, casework.ErrNotFound) {
			err = uerr
		}
	}
	if err != nil {
		s.cfg.Log.ErrorContext(ctx, "the store does not answer", "kind", kindOf(err))
	}
	s.health.at, s.health.ok = now, err == nil
	return s.health.ok
}

// healthPage tells a machine that asks whether pages can be served, and by
// which version. It holds nothing of anybody, and no cookie.
func (s *Site) healthPage(w http.ResponseWriter, q *request) error {
	status, word := http.StatusOK, "ok"
	if !s.healthy(q.Context()) {
		status, word = http.StatusServiceUnavailable, "unavailable"
	}
	data, err := json.Marshal(struct {
		Status  string `json:"status"`
		Program string `json:"program"`
	}{word, s.cfg.Program})
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	fmt.Fprintf(w, "%s\n", data)
	return nil
}
