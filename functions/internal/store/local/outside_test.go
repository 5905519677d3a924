//go:build outside

package local_test

import (
	"bytes"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// A backup can be unpacked and checked without this program: with tar,
// sha256sum (GNU coreutils) and the shell of SQLite, from the Debian packages
// of those names.
func TestOutsideBackup(t *testing.T) {
	s := open(t, t.TempDir())
	c := fill(t, s)
	dir := t.TempDir()
	run := func(input []byte, name string, args ...string) string {
		t.Helper()
		cmd := exec.Command(name, args...)
		cmd.Dir, cmd.Stdin = dir, bytes.NewReader(input)
		out, err := cmd.CombinedOutput()
		if err != nil {
			t.Fatalf("%s: %v: %s", name, err, out)
		}
		return string(out)
	}
	run(backup(t, s), "tar", "xf", "-")
	if out := run(nil, "sha256sum", "--strict", "-c", "SHA256SUMS"); strings.Count(out, ": OK\n") != 3 {
		t.Errorf("sha256sum: %s", out)
	}
	db := filepath.Join("cases", "cases.db")
	if out := run(nil, "sqlite3", db, "PRAGMA integrity_check; SELECT json_extract(event, '$.hash') FROM events ORDER BY k DESC LIMIT 1"); out != "ok\n"+c.Hash+"\n" {
		t.Errorf("sqlite3: %s", out)
	}
}
