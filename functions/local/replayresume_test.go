package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"os/signal"
	"strings"
	"syscall"
	"testing"

	"airwarrant/functions/internal/store/local"
	"airwarrant/qualify/casework"
	"airwarrant/rules"
)

// interrupting sends the process an interrupt when the first progress is told,
// as somebody at the keys would.
type interrupting struct {
	bytes.Buffer
	t    *testing.T
	sent bool
}

func (w *interrupting) Write(p []byte) (int, error) {
	if !w.sent && strings.Contains(string(p), "cases") {
		w.sent = true
		seen := make(chan os.Signal, 1)
		signal.Notify(seen, os.Interrupt)
		defer signal.Stop(seen)
		if err := syscall.Kill(os.Getpid(), syscall.SIGINT); err != nil {
			w.t.Fatal(err)
		}
		<-seen
	}
	return w.Buffer.Write(p)
}

// A replay that is interrupted keeps what it has, and goes on to the same result
// as one that was not. It leaves nothing behind when it is through.
func TestReplayResumes(t *testing.T) {
	dir := t.TempDir()
	store, err := local.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	lib, err := rules.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	fillReplay(t, store, lib, 800)
	if err := store.Close(); err != nil {
		t.Fatal(err)
	}
	draft := exampleDraft(t, t.TempDir(), "          fact: rest_spo2\n          at_or_below: 90 %", "          fact: rest_spo2\n          at_or_below: 88 %")
	whole := command(t, "", "replay", "--draft", draft, "--data", dir, "--json")
	if whole.code != exitOK || strings.Count(whole.out, `"case":`) < 100 {
		t.Fatalf("exit %d, %s", whole.code, whole.err)
	}
	notes := func() (n int) {
		t.Helper()
		store, err := local.Open(dir)
		if err != nil {
			t.Fatal(err)
		}
		defer store.Close()
		for _, err := range casework.All(t.Context(), func(ctx context.Context, after string, limit int) ([]casework.Note, string, error) {
			return store.Notes(ctx, "criteria-rehearsal", after, limit)
		}) {
			if err != nil {
				t.Fatal(err)
			}
			n++
		}
		return n
	}
	if n := notes(); n != 0 {
		t.Errorf("a replay that is through leaves %d notes behind", n)
	}

	said := &interrupting{t: t}
	args := []string{"replay", "--draft", draft, "--data", dir, "--json"}
	var out bytes.Buffer
	if code := run(args, env{strings.NewReader(""), &out, said}); code != exitRefused || out.Len() != 0 || !strings.Contains(said.String(), "--resume") {
		t.Fatalf("exit %d, %s", code, said.String())
	}
	if n := notes(); n != 1 {
		t.Fatalf("%d notes keep how far it is, expected one", n)
	}
	r := command(t, "", append(args, "--resume")...)
	if r.code != exitOK || r.out != whole.out {
		t.Errorf("exit %d: the result differs from that of a replay without an interrupt\n%s", r.code, r.err)
	}
	before := 0
	if _, err := fmt.Sscanf(r.err, "%d cases", &before); err != nil || before <= 256 {
		t.Errorf("it begins anew: %s", r.err)
	}
	if n := notes(); n != 0 {
		t.Errorf("%d notes stay behind", n)
	}

	// Of another draft nothing is taken over, and without --resume neither.
	other := exampleDraft(t, t.TempDir(), "          fact: rest_spo2\n          at_or_below: 90 %", "          fact: rest_spo2\n          at_or_below: 87 %")
	if r := command(t, "", "replay", "--draft", other, "--data", dir, "--resume"); r.code != exitOK || !strings.HasPrefix(r.err, "256 cases") {
		t.Errorf("%+v", r)
	}
}
