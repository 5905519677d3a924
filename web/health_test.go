package web

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"airwarrant/qualify"
	"airwarrant/qualify/casework/storetest"
)

// ailing is a store that can be made to fail, and counts who asks.
type ailing struct {
	*storetest.Memory
	fails error
	asked int
}

func (s *ailing) Note(ctx context.Context, kind, key string) ([]byte, error) {
	s.asked++
	if s.fails != nil {
		return nil, s.fails
	}
	return s.Memory.Note(ctx, kind, key)
}

func TestHealth(t *testing.T) {
	store := &ailing{Memory: &storetest.Memory{}}
	b := newBench(t, store, false)
	get := func() *httptest.ResponseRecorder {
		w := httptest.NewRecorder()
		r := httptest.NewRequest("GET", "/healthz", nil)
		r.Host = "localhost"
		b.h.ServeHTTP(w, r)
		return w
	}
	store.asked = 0
	for range 50 {
		w := get()
		if w.Code != http.StatusOK || w.Body.String() != `{"status":"ok","program":"`+qualify.Program+"\"}\n" || w.Header().Get("Set-Cookie") != "" || w.Header().Get("Cache-Control") != "no-store" {
			t.Fatalf("%d %q %v", w.Code, w.Body, w.Header())
		}
	}
	if store.asked != 1 {
		t.Errorf("the store was asked %d times within a moment", store.asked)
	}
	*b.clock = b.clock.Add(time.Minute)
	store.fails = errors.New("table patients: Marama Tidewell cannot be read")
	w := get()
	if w.Code != http.StatusServiceUnavailable || strings.Contains(w.Body.String()+b.log.String(), "Tidewell") || !strings.Contains(b.log.String(), "the store does not answer") {
		t.Errorf("%d %q, log %q", w.Code, w.Body, b.log)
	}
	*b.clock = b.clock.Add(time.Minute)
	store.fails = nil
	if w := get(); w.Code != http.StatusOK {
		t.Errorf("after it came back: %d", w.Code)
	}
}

// Every entry of the log tells the request that it is of: the name that it
// came with, or one drawn here.
func TestRequestIDInTheLog(t *testing.T) {
	store := &ailing{Memory: &storetest.Memory{}}
	b := newBench(t, store, false)
	var out bytes.Buffer
	b.cfg.Log = slog.New(LogHandler(slog.NewTextHandler(&out, nil))).With("function", "api")
	store.fails = errors.New("down")
	get := func(ctx context.Context) string {
		out.Reset()
		*b.clock = b.clock.Add(time.Minute)
		r := httptest.NewRequest("GET", "/healthz", nil).WithContext(ctx)
		r.Host = "localhost"
		b.h.ServeHTTP(httptest.NewRecorder(), r)
		return out.String()
	}
	if got := get(WithRequestID(t.Context(), "id-17")); !strings.Contains(got, " request=id-17\n") || !strings.Contains(got, "function=api") {
		t.Errorf("%q", got)
	}
	one, two := get(t.Context()), get(t.Context())
	_, first, ok1 := strings.Cut(one, "request=")
	_, second, ok2 := strings.Cut(two, "request=")
	if !ok1 || !ok2 || first == second || len(first) < 8 {
		t.Errorf("%q and %q", one, two)
	}
}
