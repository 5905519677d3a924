package local_test

import (
	"archive/tar"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/ncruces/go-sqlite3"

	"airwarrant/functions/internal/store/local"
	"airwarrant/qualify/casework"
	"airwarrant/qualify/casework/storetest"
)

func TestStore(t *testing.T) {
	storetest.Run(t, func(t *testing.T) casework.Store { return open(t, t.TempDir()) })
}

func open(t testing.TB, dir string) *local.Store {
	t.Helper()
	s, err := local.Open(dir)
	must(t, err)
	t.Cleanup(func() { s.Close() }) // a second close of a database is no fault
	return s
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func hash(data []byte) string {
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])
}

var monday = time.Date(2026, 3, 2, 9, 30, 0, 0, time.UTC)

var stamp = casework.Stamp{At: monday, By: "account-7", Role: casework.RoleIntake}

// secret is a personal value that must not be found in any file.
const secret = "Invented Name Of Nobody"

// fill puts a case with an upload and a personal value into s.
func fill(t *testing.T, s casework.Store) *casework.Case {
	t.Helper()
	r := rand.NewChaCha8([32]byte{1})
	number, err := casework.NewNumber(monday, r)
	must(t, err)
	c, err := casework.Create(t.Context(), s, number, stamp, casework.Opened{Criteria: []string{"xx-example"}})
	must(t, err)
	ref, err := c.Seal(t.Context(), s, r, []byte(secret))
	must(t, err)
	must(t, c.Append(t.Context(), s, stamp, casework.PatientStated{Name: ref}))
	data := []byte("a recording")
	must(t, s.PutUpload(t.Context(), hash(data), bytes.NewReader(data)))
	must(t, c.Append(t.Context(), s, stamp, casework.UploadAdded{SHA256: hash(data), Size: int64(len(data))}))
	_, err = casework.PutDayAnchor(t.Context(), s, "2026-03-02")
	must(t, err)
	return c
}

func sound(t *testing.T, s *local.Store) *casework.Report {
	t.Helper()
	r, err := s.VerifyAll(t.Context())
	must(t, err)
	if len(r.Faults) > 0 {
		t.Errorf("faults %+v", r.Faults)
	}
	return r
}

// files maps every file under dir to its bytes.
func files(t *testing.T, dir string) map[string][]byte {
	t.Helper()
	out := map[string][]byte{}
	must(t, filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		out[path], err = os.ReadFile(path)
		return err
	}))
	return out
}

// What was stored is there when the folder is opened again, under a path with
// letters that mean something in a URI.
func TestReopen(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "a b%41?x=1#é&")
	s := open(t, dir)
	c := fill(t, s)
	before := sound(t, s)
	must(t, s.Close())
	s = open(t, dir)
	read, err := casework.Open(t.Context(), s, c.Number)
	must(t, err)
	if after := sound(t, s); read.Hash != c.Hash || after.Events != before.Events || after.Personal != 1 || after.Uploads != 2 || after.Anchors != 1 {
		t.Errorf("before %+v, after %+v", before, after)
	}
	if _, err := os.Stat(filepath.Join(dir, "cases", "cases.db")); err != nil {
		t.Error(err)
	}
}

// Nobody but the owner reads the folder, and no file holds a personal value
// in the clear.
func TestModesAndSecrecy(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	s := open(t, dir)
	fill(t, s)
	for path, data := range files(t, dir) {
		if bytes.Contains(data, []byte(secret)) {
			t.Errorf("%s holds a personal value in the clear", path)
		}
	}
	if runtime.GOOS == "windows" {
		return // which has no such modes
	}
	must(t, filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		must(t, err)
		info, err := d.Info()
		must(t, err)
		want := fs.FileMode(0o600)
		if d.IsDir() {
			want = 0o700
		}
		// SQLite makes its own files beside the database; the folder keeps
		// others out.
		if !d.IsDir() && filepath.Dir(path) == filepath.Join(dir, "cases") && filepath.Base(path) != "cases.db" {
			return nil
		}
		if info.Mode().Perm() != want {
			t.Errorf("%s has mode %o, expected %o", path, info.Mode().Perm(), want)
		}
		return nil
	}))
}

func TestFolderInUse(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	_, err := local.Open(dir)
	if err == nil || !strings.Contains(err.Error(), dir) || !strings.Contains(err.Error(), "in use") {
		t.Fatalf("opened a folder twice: %v", err)
	}
	fill(t, s)
	must(t, s.Close())
	sound(t, open(t, dir))
}

func TestHalfWrittenFilesAreSwept(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	fill(t, s)
	must(t, s.Close())
	must(t, os.WriteFile(filepath.Join(dir, "tmp", "upload-1"), []byte("half"), 0o600))
	must(t, os.MkdirAll(filepath.Join(dir, "tmp", "backup-1"), 0o700))
	must(t, os.WriteFile(filepath.Join(dir, "tmp", "backup-1", "cases.db"), []byte("half"), 0o600))
	sound(t, open(t, dir))
	left, err := os.ReadDir(filepath.Join(dir, "tmp"))
	if err != nil || len(left) != 0 {
		t.Errorf("left %v: %v", left, err)
	}
}

// headless loses the head of an event, as a kill between the two would.
type headless struct{ casework.Store }

func (headless) PutHead(context.Context, casework.Head) error { return nil }

func TestOpenCatchesUpHeads(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	c := fill(t, headless{s})
	if r, err := s.VerifyAll(t.Context()); err != nil || len(r.Faults) != 1 {
		t.Fatalf("report %+v: %v", r, err)
	}
	must(t, s.Close())
	s = open(t, dir)
	sound(t, s)
	must(t, c.Append(t.Context(), headless{s}, stamp, casework.Viewed{Page: "list"}))
	must(t, s.Close())
	s = open(t, dir)
	heads, _, err := s.Heads(t.Context(), "", 10)
	if err != nil || len(heads) != 1 || heads[0].K != c.K {
		t.Errorf("heads %+v: %v", heads, err)
	}
}

// The database itself refuses what this package would never ask of it.
func TestEventsAreNeverChanged(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	for range 2 {
		_, err := casework.Record(t.Context(), s, "sign-ins", stamp, "signed_in", nil)
		must(t, err)
	}
	fill(t, s)
	must(t, s.Close())
	conn, err := sqlite3.Open(filepath.Join(dir, "cases", "cases.db"))
	must(t, err)
	for _, statement := range []string{"UPDATE events SET event = '{}' WHERE k = 2", "DELETE FROM events WHERE k = 2",
		"UPDATE entries SET entry = '{}' WHERE n = 2", "DELETE FROM entries WHERE n = 2"} {
		if err := conn.Exec(statement); !errors.Is(err, sqlite3.CONSTRAINT_TRIGGER) {
			t.Errorf("%s: %v", statement, err)
		}
	}
	// Somebody with the file in hand may drop the trigger; an audit tells.
	must(t, conn.Exec("DROP TRIGGER events_are_not_changed; UPDATE events SET event = replace(event, 'account-7', 'account-8') WHERE k = 2"))
	must(t, conn.Exec("DROP TRIGGER entries_are_not_removed; DELETE FROM entries WHERE n = 1"))
	must(t, conn.Close())
	s = open(t, dir)
	r, err := s.VerifyAll(t.Context())
	if err != nil || !slices.ContainsFunc(r.Faults, func(f casework.Fault) bool { return strings.Contains(f.What, "event 2") }) {
		t.Errorf("report %+v: %v", r, err)
	}
	if !slices.ContainsFunc(r.Faults, func(f casework.Fault) bool { return strings.HasPrefix(f.What, "ledger/sign-ins had an event 2") }) {
		t.Errorf("a ledger whose first entry is gone: %+v", r.Faults)
	}
}

// After a destruction not a byte of the key is left in the folder.
func TestDestroyedKeyIsOverwritten(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	c := fill(t, s)
	key, err := s.Key(t.Context(), c.Number)
	must(t, err)
	holds := func() bool {
		for _, data := range files(t, dir) {
			if bytes.Contains(data, key) {
				return true
			}
		}
		return false
	}
	if !holds() {
		t.Fatal("the key is not found before it is destroyed, so the test sees nothing")
	}
	must(t, c.Append(t.Context(), s, stamp, casework.Closed{}))
	must(t, casework.Destroy(t.Context(), s, c.Number, stamp, "retention"))
	if holds() {
		t.Error("the key is still in a file")
	}
	sound(t, s)
}

// Damage to the database file gives words, never a panic.
func TestDamagedDatabase(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	c := fill(t, s)
	for i := range 30 { // several pages
		must(t, c.Append(t.Context(), s, stamp, casework.FactsStated{Facts: map[string]casework.Stated{fmt.Sprint("fact-", i): {Fact: json.RawMessage(`"` + strings.Repeat("x", 2000) + `"`)}}}))
	}
	must(t, s.Close())
	path := filepath.Join(dir, "cases", "cases.db")
	good, err := os.ReadFile(path)
	must(t, err)
	r := rand.New(rand.NewPCG(1, 2))
	for name, damage := range map[string]func([]byte) []byte{
		"text":              func([]byte) []byte { return []byte("this is no database, but it is long enough to be taken for one") },
		"header":            func(b []byte) []byte { copy(b, "XXXXXXXX"); return b },
		"page size":         func(b []byte) []byte { b[16], b[17] = 0xff, 0xff; return b },
		"cut to half":       func(b []byte) []byte { return b[:len(b)/2] },
		"cut to a page":     func(b []byte) []byte { return b[:4096] },
		"cut within a page": func(b []byte) []byte { return b[:5000] },
		"schema zeroed":     func(b []byte) []byte { clear(b[100:4096]); return b },
		"all but a page zeroed": func(b []byte) []byte {
			clear(b[4096:])
			return b
		},
		"random bytes": func(b []byte) []byte {
			for range len(b) / 50 {
				b[100+r.IntN(len(b)-100)] = byte(r.Uint32())
			}
			return b
		},
	} {
		must(t, os.WriteFile(path, damage(bytes.Clone(good)), 0o600))
		err := useAll(t, dir, c.Number)
		if err == nil || !strings.Contains(err.Error(), "cases.db") && !strings.Contains(err.Error(), "event") {
			t.Errorf("%s: expected an error that names the file or the event, got %v", name, err)
		}
	}
	must(t, os.WriteFile(path, good, 0o600))
	must(t, useAll(t, dir, c.Number))
	// The next step stands in the error.
	must(t, os.WriteFile(path, []byte(strings.Repeat("no database ", 1000)), 0o600))
	if _, err := local.Open(dir); err == nil || !strings.Contains(err.Error(), "restore") || !strings.Contains(err.Error(), path) {
		t.Errorf("error %v", err)
	}
}

// useAll opens a folder, reads a case and checks all; the first fault is the error.
func useAll(t *testing.T, dir, number string) error {
	s, err := local.Open(dir)
	if err != nil {
		return err
	}
	defer s.Close()
	if _, err := casework.Open(t.Context(), s, number); err != nil {
		return err
	}
	r, err := s.VerifyAll(t.Context())
	if err != nil {
		return err
	}
	for _, f := range r.Faults {
		return fmt.Errorf("%s: %s", f.Where, f.What)
	}
	return nil
}

// A database of another program, or of a later version, is left alone.
func TestForeignDatabase(t *testing.T) {
	for statement, want := range map[string]string{
		"CREATE TABLE t (x)": "another",
		"PRAGMA application_id = 0x41697277; PRAGMA user_version = 9999; CREATE TABLE t (x)": "9999",
	} {
		dir := t.TempDir()
		must(t, os.MkdirAll(filepath.Join(dir, "cases"), 0o700))
		path := filepath.Join(dir, "cases", "cases.db")
		conn, err := sqlite3.Open(path)
		must(t, err)
		must(t, conn.Exec(statement))
		must(t, conn.Close())
		before, err := os.ReadFile(path)
		must(t, err)
		if _, err := local.Open(dir); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", statement, err)
		}
		after, err := os.ReadFile(path)
		must(t, err)
		if !bytes.Equal(before, after) {
			t.Errorf("%s: the file was changed", statement)
		}
	}
}

func TestDamagedUpload(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	fill(t, s)
	data := []byte("a recording")
	path := filepath.Join(dir, "uploads", hash(data)[:2], hash(data))
	must(t, os.WriteFile(path, []byte("another one"), 0o600))
	r, err := s.VerifyAll(t.Context())
	must(t, err)
	// The upload itself, and the case that rests on it.
	if len(r.Faults) != 2 || !strings.Contains(r.Faults[0].Where, hash(data)) {
		t.Errorf("faults %+v", r.Faults)
	}
	var w bytes.Buffer
	damaged, err := s.Backup(t.Context(), &w)
	if err != nil || !slices.Equal(damaged, []string{hash(data)}) {
		t.Errorf("backup: damaged %v, %v", damaged, err)
	}
	r, err = local.Restore(t.Context(), &w, filepath.Join(t.TempDir(), "new"), local.RestoreKeys{})
	if err != nil || len(r.Faults) != 2 {
		t.Errorf("a backup with a damaged upload: %+v, %v", r, err)
	}
	must(t, s.PutUpload(t.Context(), hash(data), bytes.NewReader(data))) // sent again
	sound(t, s)
	// A stray file is no upload.
	must(t, os.WriteFile(filepath.Join(dir, "uploads", "stray"), nil, 0o600))
	if _, _, err := s.Uploads(t.Context(), "", 10); err == nil {
		t.Error("a file where a folder is to be was overlooked")
	}
}

func backup(t *testing.T, s *local.Store) []byte {
	t.Helper()
	var w bytes.Buffer
	damaged, err := s.Backup(t.Context(), &w)
	if err != nil || len(damaged) != 0 {
		t.Fatalf("damaged %v: %v", damaged, err)
	}
	return w.Bytes()
}

func TestBackupAndRestore(t *testing.T) {
	s := open(t, t.TempDir())
	c := fill(t, s)
	before := sound(t, s)
	data := backup(t, s)
	must(t, c.Append(t.Context(), s, stamp, casework.Viewed{Page: "after the backup"}))
	for _, dir := range []string{filepath.Join(t.TempDir(), "x", "new"), t.TempDir()} { // missing, empty
		report, err := local.Restore(t.Context(), bytes.NewReader(data), dir, local.RestoreKeys{})
		must(t, err)
		if fmt.Sprint(report) != fmt.Sprint(before) {
			t.Errorf("before %+v, restored %+v", before, report)
		}
		again := open(t, dir)
		read, err := casework.Open(t.Context(), again, c.Number)
		must(t, err)
		if read.K != c.K-1 {
			t.Errorf("restored event %d", read.K)
		}
		if value, err := read.Reveal(t.Context(), again, read.Patient.Name); err != nil || string(value) != secret {
			t.Errorf("restored value %q: %v", value, err)
		}
		// It goes on where it stood.
		must(t, read.Append(t.Context(), again, stamp, casework.Viewed{Page: "restored"}))
		sound(t, again)
		must(t, again.Close())
		if _, err := local.Restore(t.Context(), bytes.NewReader(data), dir, local.RestoreKeys{}); err == nil || !strings.Contains(err.Error(), dir) {
			t.Errorf("restored over a folder in use: %v", err)
		}
	}
	// An empty store too.
	if _, err := local.Restore(t.Context(), bytes.NewReader(backup(t, open(t, t.TempDir()))), filepath.Join(t.TempDir(), "new"), local.RestoreKeys{}); err != nil {
		t.Error(err)
	}
}

// A backup that was cut, altered or made by hand restores nothing at all.
func TestDamagedBackup(t *testing.T) {
	s := open(t, t.TempDir())
	fill(t, s)
	good := backup(t, s)
	entry := func(h tar.Header, content string) []byte {
		var b bytes.Buffer
		w := tar.NewWriter(&b)
		h.Size, h.Mode = int64(len(content)), 0o600
		must(t, w.WriteHeader(&h))
		_, err := io.WriteString(w, content)
		must(t, err)
		must(t, w.Flush())
		return b.Bytes()
	}
	flip := func(at int) []byte {
		b := bytes.Clone(good)
		b[at] ^= 1
		return b
	}
	sums := bytes.Index(good, []byte("SHA256SUMS"))
	upload := bytes.Index(good, []byte("a recording"))
	tests := map[string][]byte{
		"empty":                    nil,
		"no tar":                   []byte(strings.Repeat("no tar ", 1000)),
		"cut in the header":        good[:100],
		"cut in the middle":        good[:len(good)/2/512*512],
		"cut before the end":       good[:sums],
		"database altered":         flip(600),
		"upload altered":           flip(upload),
		"hashes altered":           flip(sums + 512 + 3),
		"a way out":                append(entry(tar.Header{Name: "../evil"}, "x"), good...),
		"absolute":                 append(entry(tar.Header{Name: "/tmp/evil"}, "x"), good...),
		"upload that is none":      append(entry(tar.Header{Name: "uploads/aa/evil"}, "x"), good...),
		"upload in another folder": append(entry(tar.Header{Name: "uploads/aa/" + hash([]byte("x"))}, "x"), good...),
		"link":                     append(entry(tar.Header{Name: "cases/cases.db", Typeflag: tar.TypeSymlink, Linkname: "/etc/passwd"}, ""), good...),
		"database twice":           append(entry(tar.Header{Name: "cases/cases.db"}, "x"), good...),
		"unlisted upload":          append(entry(tar.Header{Name: "uploads/" + hash([]byte("x"))[:2] + "/" + hash([]byte("x"))}, "x"), good...),
		"no database":              entry(tar.Header{Name: "SHA256SUMS"}, ""),
		"hashes of another form":   slices.Concat(entry(tar.Header{Name: "cases/cases.db"}, "x"), entry(tar.Header{Name: "SHA256SUMS"}, "x")),
		"no database inside":       slices.Concat(entry(tar.Header{Name: "cases/cases.db"}, "no database"), entry(tar.Header{Name: "SHA256SUMS"}, hash([]byte("no database"))+"  cases/cases.db\n")),
	}
	for name, data := range tests {
		parent := t.TempDir()
		report, err := local.Restore(t.Context(), bytes.NewReader(data), filepath.Join(parent, "new"), local.RestoreKeys{})
		if err == nil || report != nil {
			t.Errorf("%s: report %+v, error %v", name, report, err)
		}
		if left, err := os.ReadDir(parent); err != nil || len(left) != 0 {
			t.Errorf("%s: left %v behind, %v", name, left, err)
		}
	}
	// Every length of the file short of whole is refused.
	for n := 0; n < len(good)-1024-512; n += 4096 {
		if err := restoreFails(t, good[:n]); err == nil {
			t.Errorf("%d of %d bytes were restored", n, len(good))
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := local.Restore(ctx, bytes.NewReader(good), filepath.Join(t.TempDir(), "new"), local.RestoreKeys{}); !errors.Is(err, context.Canceled) {
		t.Errorf("restored for a caller who has gone: %v", err)
	}
	if _, err := s.Backup(ctx, io.Discard); !errors.Is(err, context.Canceled) {
		t.Errorf("backed up for a caller who has gone: %v", err)
	}
	if _, err := s.Backup(t.Context(), full{}); !errors.Is(err, errFull) {
		t.Errorf("backed up to a full disk: %v", err)
	}
	sound(t, s)
}

func restoreFails(t *testing.T, data []byte) error {
	_, err := local.Restore(t.Context(), bytes.NewReader(data), filepath.Join(t.TempDir(), "new"), local.RestoreKeys{})
	return err
}

var errFull = errors.New("disk full")

type full struct{}

func (full) Write([]byte) (int, error) { return 0, errFull }

// Lines that an earlier program made are made anew when the folder is opened;
// one that knows more events than there are is left for an audit.
func TestOpenRenewsLines(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	c := fill(t, s)
	must(t, s.Close())
	conn, err := sqlite3.Open(filepath.Join(dir, "cases", "cases.db"))
	must(t, err)
	old := "UPDATE heads SET form = 0, state = '', by_opened = '', head = json_remove(head, '$.form', '$.state', '$.patient')"
	must(t, conn.Exec(old))
	s = open(t, dir)
	heads, _, err := s.List(t.Context(), casework.Selection{State: casework.StateDraft}, "", 10)
	if err != nil || len(heads) != 1 || heads[0].Form != casework.HeadForm || heads[0].Patient.Name == "" {
		t.Errorf("heads %+v: %v", heads, err)
	}
	sound(t, s)
	must(t, s.Close())
	must(t, conn.Exec(old+"; DROP TRIGGER events_are_not_removed; DELETE FROM events WHERE k = "+fmt.Sprint(c.K)))
	must(t, conn.Close())
	s = open(t, dir)
	r, err := s.VerifyAll(t.Context())
	if err != nil || !slices.ContainsFunc(r.Faults, func(f casework.Fault) bool { return strings.Contains(f.What, "its end was cut off") }) {
		t.Errorf("report %+v: %v", r, err)
	}
}
