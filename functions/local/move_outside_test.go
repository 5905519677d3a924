//go:build outside

package main

import (
	"archive/tar"
	"crypto/rand"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"airwarrant/functions/internal/store/cloud/cloudtest"
	"airwarrant/functions/internal/store/local"
	"airwarrant/qualify"
	"airwarrant/qualify/casework"
	"airwarrant/rules"
	"airwarrant/web"
)

// demonstration makes a store with the demonstration and the anchor of a day.
func demonstration(t *testing.T, dir string) {
	t.Helper()
	lib, err := rules.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	store, err := local.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	_, err = web.New(web.Config{Store: store, Library: lib, Now: time.Now, Random: rand.Reader, Program: qualify.Program, Demo: true, Log: slog.New(slog.NewTextHandler(io.Discard, nil))})
	if err != nil {
		t.Fatal(err)
	}
	_, err = casework.Record(t.Context(), store, "sign-ins", casework.Stamp{At: time.Now(), By: "nobody", Role: casework.RoleSystem}, "sign_in_refused", struct{}{})
	if err = errors.Join(err, anchorOf(t.Context(), store, time.Now().AddDate(0, 0, -1)), store.Close()); err != nil {
		t.Fatal(err)
	}
}

// backedUp is what a backup of a store holds, file by file; of the database,
// what the shell of SQLite (Debian, sqlite3) writes of it, line by line.
func backedUp(t *testing.T, dir string) map[string]string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "backup.tar")
	if r := command(t, "", "backup", file, "--data", dir); r.code != 0 {
		t.Fatalf("exit %d\n%s%s", r.code, r.out, r.err)
	}
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	out := map[string]string{}
	for in := tar.NewReader(f); ; {
		h, err := in.Next()
		if errors.Is(err, io.EOF) {
			return out
		}
		if err != nil {
			t.Fatal(err)
		}
		data, err := io.ReadAll(in)
		if err != nil {
			t.Fatal(err)
		}
		switch h.Name {
		case "SHA256SUMS": // of files that are compared themselves
		case "cases/cases.db":
			db := filepath.Join(t.TempDir(), "cases.db")
			if err := os.WriteFile(db, data, 0o600); err != nil {
				t.Fatal(err)
			}
			dump, err := exec.Command("sqlite3", db, ".dump").Output()
			if err != nil {
				t.Fatal(err)
			}
			lines := strings.Split(string(dump), "\n")
			slices.Sort(lines) // the order of rows that no key orders
			out[h.Name] = strings.Join(lines, "\n")
		default:
			out[h.Name] = string(data)
		}
	}
}

func same(t *testing.T, what string, got, want map[string]string) {
	t.Helper()
	for name := range want {
		if got[name] != want[name] {
			t.Errorf("%s: %s differs", what, name)
		}
	}
	if len(got) != len(want) || len(want) < 5 {
		t.Errorf("%s: %d files, expected %d", what, len(got), len(want))
	}
}

// A store with the demonstration goes to the store without a server and back,
// and every row and every file is what it was; the source is untouched.
func TestOutsideMove(t *testing.T) {
	v := cloudtest.Start(t)
	for _, e := range v.Env() {
		name, value, _ := strings.Cut(e, "=")
		t.Setenv(name, value)
	}
	set := v.New(t)
	there := []string{"--table", set.Table, "--bucket", set.Bucket}
	run := func(code int, args ...string) ran {
		t.Helper()
		r := command(t, "", args...)
		if r.code != code {
			t.Fatalf("%q: exit %d, want %d\n%s%s", args, r.code, code, r.out, r.err)
		}
		return r
	}
	from, back := t.TempDir(), filepath.Join(t.TempDir(), "back")
	demonstration(t, from)
	want := backedUp(t, from)

	var in, out casework.Moved
	r := run(0, append([]string{"move", "--to", "cloud", "--data", from, "--json"}, there...)...)
	if err := json.Unmarshal([]byte(r.out), &in); err != nil || in.Report.Cases < 4 || in.Report.Anchors != 1 || in.Resumed {
		t.Errorf("%v: %s", err, r.out)
	}
	for _, step := range []string{"ledgers: ", "uploads: ", "keys: ", "cases: ", "anchors: ", "notes: ", "checks: "} {
		if !strings.Contains(r.err, step) {
			t.Errorf("no word of %s in %q", step, r.err)
		}
	}
	same(t, "the source afterwards", backedUp(t, from), want)
	here, audited := run(0, "audit", "verify", "--data", from), run(0, append([]string{"audit", "verify"}, there...)...)
	if here.out != audited.out || !strings.Contains(here.out, ": 0 faults") {
		t.Errorf("audit here %s, there %s", here.out, audited.out)
	}
	if r := run(2, append([]string{"move", "--to", "cloud", "--data", from}, there...)...); r.out != "" || !strings.Contains(r.err, "of its own") {
		t.Errorf("again: %s%s", r.out, r.err)
	}
	run(0, append([]string{"replay", "--draft", filepath.Join("..", "..", "rules", "packs", "us-medicare", "2023-04-01.yaml")}, there...)...)

	r = run(0, append([]string{"move", "--to", "local", "--data", back, "--json"}, there...)...)
	if err := json.Unmarshal([]byte(r.out), &out); err != nil || out.Contents != in.Contents || out.Items != in.Items {
		t.Errorf("%v: there %+v, back %+v", err, in, out)
	}
	same(t, "what came back", backedUp(t, back), want)
	if r := run(0, "audit", "verify", "--data", back); r.out != here.out {
		t.Errorf("audit of what came back: %s, before %s", r.out, here.out)
	}

	// The first account of a store without a server.
	fresh := v.New(t)
	there = []string{"--table", fresh.Table, "--bucket", fresh.Bucket}
	if r := run(0, append([]string{"accounts", "add", "T. Vane", "--role", "administrator"}, there...)...); !strings.Contains(r.out, "first password of T. Vane") {
		t.Errorf("%s", r.out)
	}
	if r := run(0, append([]string{"accounts", "list"}, there...)...); !strings.Contains(r.out, "T. Vane; administrator; first password") {
		t.Errorf("%s", r.out)
	}
	if r := run(1, "accounts", "list", "--table", fresh.Table); !strings.Contains(r.err, "--table and --bucket") {
		t.Errorf("%s", r.err)
	}
	if r := run(1, "accounts", "list", "--table", "no-such-table", "--bucket", fresh.Bucket); !strings.Contains(r.err, "there is no such table") {
		t.Errorf("%s", r.err)
	}
	if r := run(1, append([]string{"accounts", "list", "--data", from}, there...)...); !strings.Contains(r.err, "found some of both") {
		t.Errorf("%s", r.err)
	}
}
