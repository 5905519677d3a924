package main

import (
	"bytes"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// The steps of the manual: a key, a store that it encrypts, and a store that
// was not.
func TestKeyFileOnTheCommandLine(t *testing.T) {
	keys, dir, plain := t.TempDir(), filepath.Join(t.TempDir(), "data"), filepath.Join(t.TempDir(), "plain")
	key, other := filepath.Join(keys, "airwarrant.key"), filepath.Join(keys, "other.key")
	run := func(code int, want string, args ...string) ran {
		t.Helper()
		r := command(t, "", args...)
		if r.code != code || !strings.Contains(r.out+r.err, want) {
			t.Errorf("%q: exit %d, want %d and %q\n%s%s", args, r.code, code, want, r.out, r.err)
		}
		return r
	}
	run(0, "written. Whoever has it", "key", key)
	run(0, other, "key", other, "--json")
	run(1, "there already", "key", key)
	run(1, "expected the name of a file", "key")
	add := []string{"accounts", "add", "T. Vane", "--role", "administrator"}
	run(0, "first password", append(add, "--data", dir, "--key-file", key)...)
	run(0, "first password", append(add, "--data", plain)...)

	run(1, "is encrypted; name its key file", "accounts", "list", "--data", dir)
	run(1, "is not the one of this store", "audit", "verify", "--data", dir, "--key-file", other)
	run(1, "is not encrypted, and a key file was named", "serve", "--data", plain, "--key-file", key)
	run(1, "key file: ", "accounts", "list", "--data", dir, "--key-file", filepath.Join(keys, "none"))
	run(1, "accounts add NAME --role administrator --data "+keys+"/n --key-file "+key, "serve", "--data", keys+"/n", "--key-file", key)
	run(0, "T. Vane", "accounts", "list", "--data", dir, "--key-file", key)
	run(0, "0 faults", "audit", "verify", "--data", dir, "--key-file", key)

	file, old := filepath.Join(keys, "backup"), filepath.Join(keys, "old")
	run(0, "it is encrypted by the key of the store", "backup", file, "--data", dir, "--key-file", key)
	run(0, "holds patients' data and their keys", "backup", old, "--data", plain)
	again, rekeyed, now := filepath.Join(keys, "again"), filepath.Join(keys, "rekeyed"), filepath.Join(keys, "now")
	run(2, "of an encrypted store; name the key file", "restore", file, "--data", again)
	run(2, "does not open with the key file", "restore", file, "--data", again, "--key-file", other)
	run(0, "0 faults", "restore", file, "--data", again, "--key-file", key)
	run(0, "0 faults", "restore", file, "--data", rekeyed, "--backup-key-file", key, "--key-file", other)
	run(0, "T. Vane", "accounts", "list", "--data", rekeyed, "--key-file", other)
	// An existing store comes to be encrypted.
	run(0, "0 faults", "restore", old, "--data", now, "--key-file", key)
	run(0, "T. Vane", "accounts", "list", "--data", now, "--key-file", key)
	for _, d := range []string{dir, again, rekeyed, now} {
		err := filepath.WalkDir(d, func(path string, e fs.DirEntry, err error) error {
			if err != nil || e.IsDir() {
				return err
			}
			data, err := os.ReadFile(path)
			if bytes.Contains(data, []byte("T. Vane")) || strings.HasSuffix(path, ".db") && bytes.HasPrefix(data, []byte("SQLite")) {
				t.Errorf("%s lies open", path)
			}
			return err
		})
		if err != nil {
			t.Error(err)
		}
	}
}
