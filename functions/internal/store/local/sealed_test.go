package local_test

import (
	"archive/tar"
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"airwarrant/functions/internal/sealed"
	"airwarrant/functions/internal/store/local"
	"airwarrant/qualify/casework"
	"airwarrant/qualify/casework/storetest"
)

func newKey(t testing.TB) *sealed.Key {
	t.Helper()
	file := filepath.Join(t.TempDir(), "key")
	must(t, sealed.NewKeyFile(file))
	k, err := sealed.ReadKeyFile(file)
	must(t, err)
	return k
}

func openSealed(t testing.TB, dir string, key *sealed.Key) *local.Store {
	t.Helper()
	s, err := local.OpenSealed(dir, key)
	must(t, err)
	t.Cleanup(func() { s.Close() })
	return s
}

func TestSealedStore(t *testing.T) {
	key := newKey(t)
	storetest.Run(t, func(t *testing.T) casework.Store { return openSealed(t, t.TempDir(), key) })
}

// Words that lie open in an event, a note, a ledger and an upload; the last is
// longer than a chunk of its encryption.
const openWords = "Marama Tidewell"

var openUpload = bytes.Repeat([]byte("2026-02-10 22:30:00,88,61\n"), 8000)

func fillOpen(t *testing.T, s *local.Store) *casework.Case {
	t.Helper()
	ctx := t.Context()
	c := fill(t, s)
	fact, err := json.Marshal(openWords)
	must(t, err)
	must(t, c.Append(ctx, s, stamp, casework.FactsStated{Facts: map[string]casework.Stated{"word": {Fact: fact}}}))
	must(t, s.PutNote(ctx, "mapping", openWords, []byte(openWords)))
	_, err = casework.Record(ctx, s, "sign-ins", stamp, "something", openWords)
	must(t, err)
	must(t, s.PutUpload(ctx, hash(openUpload), bytes.NewReader(openUpload)))
	must(t, c.Append(ctx, s, stamp, casework.UploadAdded{SHA256: hash(openUpload), Size: int64(len(openUpload))}))
	return c
}

// readable lists the files in which something lies open.
func readable(t *testing.T, dir string) []string {
	t.Helper()
	var out []string
	for path, data := range files(t, dir) {
		for _, word := range [][]byte{[]byte(openWords), []byte(stamp.By), []byte("SQLite format"), openUpload[:26], []byte("a recording"), []byte(secret), []byte("anchor 2026")} {
			if bytes.Contains(data, word) {
				out = append(out, filepath.Base(path)+" holds "+string(word[:10]))
			}
		}
	}
	return out
}

// watching looks at the folder while a backup is written.
type watching struct {
	t     *testing.T
	dir   string
	found []string
	bytes.Buffer
}

func (w *watching) Write(p []byte) (int, error) {
	w.found = append(w.found, readable(w.t, w.dir)...)
	return w.Buffer.Write(p)
}

// No word of what an encrypted store holds lies open on the disk: not in the
// database, not in its write-ahead file, not in what is half written, and not in
// a backup. The same look finds all of it in a store that is not encrypted.
func TestSealedNothingReadable(t *testing.T) {
	key, dir := newKey(t), t.TempDir()
	s := openSealed(t, dir, key)
	fillOpen(t, s)
	look := func(when string) {
		t.Helper()
		if found := readable(t, dir); len(found) > 0 {
			t.Errorf("%s: %q", when, found)
		}
	}
	wal := filepath.Join(dir, "cases", "cases.db-wal")
	if info, err := os.Stat(wal); err != nil || info.Size() < 10_000 {
		t.Fatalf("no write-ahead file to look at: %v", err)
	}
	look("in use")
	// Half an upload: its reader looks.
	half := &halfUpload{look: func() { look("half an upload") }}
	if err := s.PutUpload(t.Context(), hash(nil), half); !errors.Is(err, casework.ErrHash) || half.n < 8 {
		t.Errorf("%d reads, %v", half.n, err)
	}
	w := &watching{t: t, dir: dir}
	damaged, err := s.Backup(t.Context(), w)
	must(t, err)
	if len(w.found) > 0 || len(damaged) > 0 || bytes.Contains(w.Bytes(), []byte("SHA256SUMS")) || bytes.Contains(w.Bytes(), []byte(openWords)) || bytes.Contains(w.Bytes(), openUpload[:26]) {
		t.Errorf("while a backup is written %q, damaged %q", w.found, damaged)
	}
	must(t, s.Close())
	look("closed")

	open2 := t.TempDir()
	s = open(t, open2)
	fillOpen(t, s)
	if found := strings.Join(readable(t, open2), "\n"); strings.Count(found, "\n") < 5 || !strings.Contains(found, "-wal holds Marama") {
		t.Errorf("the look itself finds only %s", found)
	}
}

type halfUpload struct {
	look func()
	n    int
}

func (h *halfUpload) Read(p []byte) (int, error) {
	if h.n++; h.n > 10 {
		return 0, io.EOF
	}
	h.look()
	n := 0
	for n+26 <= len(p) && n < 30_000 {
		n += copy(p[n:], openUpload[:26])
	}
	return n, nil
}

// What was acknowledged is there after the power went: here, what another
// process finds in a copy of the folder that was taken while it was in use.
func TestSealedAfterAKill(t *testing.T) {
	key, dir := newKey(t), t.TempDir()
	s := openSealed(t, dir, key)
	c := fillOpen(t, s)
	left := t.TempDir()
	must(t, os.CopyFS(left, os.DirFS(dir)))
	again := openSealed(t, left, key)
	read, err := casework.Open(t.Context(), again, c.Number)
	must(t, err)
	if read.Hash != c.Hash {
		t.Errorf("event %d of %d is left", read.K, c.K)
	}
	sound(t, again)
	// Killed before the first byte of the database, a new store is still this key's.
	bare := t.TempDir()
	must(t, os.MkdirAll(filepath.Join(bare, "cases"), 0o700))
	data, err := os.ReadFile(filepath.Join(dir, "cases", "key"))
	must(t, err)
	must(t, os.WriteFile(filepath.Join(bare, "cases", "key"), data, 0o600))
	fill(t, openSealed(t, bare, key))
}

func TestSealedRefusals(t *testing.T) {
	key, other := newKey(t), newKey(t)
	dir, open1 := t.TempDir(), t.TempDir()
	must(t, openSealed(t, dir, key).Close())
	must(t, open(t, open1).Close())
	inside := filepath.Join(t.TempDir(), "data")
	must(t, os.MkdirAll(inside, 0o700))
	must(t, sealed.NewKeyFile(filepath.Join(inside, "key")))
	near, err := sealed.ReadKeyFile(filepath.Join(inside, "key"))
	must(t, err)
	way := filepath.Join(t.TempDir(), "way")
	must(t, os.Symlink(inside, way))
	lost := t.TempDir()
	must(t, os.CopyFS(lost, os.DirFS(dir)))
	must(t, os.Remove(filepath.Join(lost, "cases", "key")))
	spoilt := t.TempDir()
	must(t, os.CopyFS(spoilt, os.DirFS(dir)))
	must(t, os.WriteFile(filepath.Join(spoilt, "cases", "key"), []byte("{}"), 0o600))
	for name, tt := range map[string]struct {
		dir  string
		key  *sealed.Key
		want string
	}{
		"without its key":                       {dir, nil, "is encrypted; name its key file with --key-file"},
		"with another key":                      {dir, other, "is not the one of this store"},
		"with a key that it does not have":      {open1, key, "is not encrypted, and a key file was named; to encrypt it: airwarrant backup"},
		"with the key beside it":                {inside, near, "lies in the data folder"},
		"with the key beside it by another way": {way, near, "lies in the data folder"},
		"without what tells of the key":         {lost, key, "expected this file beside a database that is encrypted"},
		"with a spoilt file":                    {spoilt, key, "expected the salt and the check"},
		"without either":                        {lost, nil, "found a damaged one"},
	} {
		folder, err := filepath.EvalSymlinks(tt.dir)
		must(t, err)
		before := files(t, folder)
		s, err := local.OpenSealed(tt.dir, tt.key)
		if err == nil {
			s.Close()
		}
		if err == nil || !strings.Contains(err.Error(), tt.want) || strings.Contains(err.Error(), "hexkey") {
			t.Errorf("%s: %v", name, err)
		}
		for path, data := range before {
			if now, err := os.ReadFile(path); err != nil || !bytes.Equal(now, data) {
				t.Errorf("%s: %s was changed", name, path)
			}
		}
	}
	must(t, openSealed(t, dir, key).Close())
	must(t, open(t, open1).Close())
}

// A backup goes from any store to any: to one that is encrypted, to one of
// another key, and to one that is not.
func TestSealedBackup(t *testing.T) {
	key, other := newKey(t), newKey(t)
	for name, tt := range map[string]struct{ from, to *sealed.Key }{
		"the same key": {key, key}, "to be encrypted": {nil, key}, "another key": {key, other}, "no longer encrypted": {key, nil},
	} {
		s := openSealed(t, t.TempDir(), tt.from)
		c := fillOpen(t, s)
		want := sound(t, s)
		data := backup(t, s)
		dir := filepath.Join(t.TempDir(), "new")
		r, err := local.Restore(t.Context(), bytes.NewReader(data), dir, local.RestoreKeys{Backup: tt.from, Store: tt.to})
		must(t, err)
		got, err1 := json.Marshal(r)
		was, err2 := json.Marshal(want)
		if err := errors.Join(err1, err2); err != nil || !bytes.Equal(got, was) {
			t.Errorf("%s: before %s, restored %s, %v", name, was, got, err)
		}
		if found := readable(t, dir); (len(found) > 0) != (tt.to == nil) {
			t.Errorf("%s: %q lie open", name, found)
		}
		again := openSealed(t, dir, tt.to)
		read, err := casework.Open(t.Context(), again, c.Number)
		must(t, err)
		must(t, read.Append(t.Context(), again, stamp, casework.Viewed{Page: "restored"}))
		sound(t, again)
		if tt.from == nil {
			continue
		}
		for what, bad := range map[string]struct {
			key  *sealed.Key
			data []byte
			want string
		}{
			"without a key":         {nil, data, "of an encrypted store; name the key file"},
			"with another key":      {newKey(t), data, "does not open with the key file"},
			"cut off":               {key, data[:len(data)-1], "restored"},
			"cut between chunks":    {key, data[:52+2*(64<<10+16)], "restored"},
			"altered in the middle": {key, slices.Concat(data[:100_000], []byte{data[100_000] ^ 1}, data[100_001:]), "restored"},
		} {
			parent := t.TempDir()
			_, err := local.Restore(t.Context(), bytes.NewReader(bad.data), filepath.Join(parent, "new"), local.RestoreKeys{Backup: bad.key, Store: tt.to})
			if what == "cut off" && err == nil {
				continue // the end of a tar file holds nothing
			}
			if err == nil || !strings.Contains(err.Error(), bad.want) {
				t.Errorf("%s, %s: %v", name, what, err)
			}
			if left, err := os.ReadDir(parent); err != nil || len(left) != 0 {
				t.Errorf("%s, %s: left %v behind, %v", name, what, left, err)
			}
		}
	}
}

// An upload of an encrypted store that was altered is a fault of the audit, is
// named and left out by a backup, and is mended by sending it again.
func TestSealedDamagedUpload(t *testing.T) {
	key, dir := newKey(t), t.TempDir()
	s := openSealed(t, dir, key)
	fillOpen(t, s)
	sha := hash(openUpload)
	path := filepath.Join(dir, "uploads", sha[:2], sha)
	data, err := os.ReadFile(path)
	must(t, err)
	for name, bad := range map[string][]byte{"altered": slices.Concat(data[:70_000], []byte{data[70_000] ^ 1}, data[70_001:]), "cut": data[:100_000], "emptied": nil, "not encrypted": openUpload} {
		must(t, os.WriteFile(path, bad, 0o600))
		r, err := s.VerifyAll(t.Context())
		must(t, err)
		if len(r.Faults) != 2 || !strings.Contains(r.Faults[0].Where, sha) {
			t.Errorf("%s: faults %+v", name, r.Faults)
		}
		var w bytes.Buffer
		damaged, err := s.Backup(t.Context(), &w)
		if err != nil || !slices.Equal(damaged, []string{sha}) {
			t.Errorf("%s: damaged %q, %v", name, damaged, err)
		}
		r, err = local.Restore(t.Context(), &w, filepath.Join(t.TempDir(), "new"), local.RestoreKeys{Backup: key, Store: key})
		if err != nil || len(r.Faults) != 1 {
			t.Errorf("%s: restored %+v, %v", name, r, err)
		}
	}
	must(t, s.PutUpload(t.Context(), sha, bytes.NewReader(openUpload)))
	sound(t, s)
	list, _, err := s.Uploads(t.Context(), "", 10)
	must(t, err)
	if i := slices.IndexFunc(list, func(u casework.StoredUpload) bool { return u.SHA256 == sha }); i < 0 || list[i].Size != int64(len(openUpload)) {
		t.Errorf("uploads %+v", list)
	}
}

// The backup of a store that is not encrypted is the tar file that it was.
func TestPlainBackupIsTar(t *testing.T) {
	s := open(t, t.TempDir())
	fill(t, s)
	h, err := tar.NewReader(bytes.NewReader(backup(t, s))).Next()
	if err != nil || h.Name != "cases/cases.db" {
		t.Errorf("%+v, %v", h, err)
	}
}
