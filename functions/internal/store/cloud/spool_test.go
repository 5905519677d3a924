package cloud

import (
	"bytes"
	"io"
	"os"
	"testing"
	"testing/iotest"
)

// What waits in a temporary file cannot be read there, reads as it was written
// from any place, and goes.
func TestSpool(t *testing.T) {
	t.Setenv("TMPDIR", t.TempDir())
	want := bytes.Repeat([]byte("2026-02-10 22:30:00,88,61\n"), 3000)
	s, err := newSpool()
	if err != nil {
		t.Fatal(err)
	}
	for rest := want; len(rest) > 0; {
		n := min(len(rest), 1003)
		if _, err := s.Write(rest[:n]); err != nil {
			t.Fatal(err)
		}
		rest = rest[n:]
	}
	data, err := os.ReadFile(s.file.Name())
	if err != nil || len(data) != len(want) || bytes.Contains(data, want[:16]) || bytes.Equal(data[:64], data[26*64:26*64+64]) {
		t.Errorf("%d bytes on the disk, %v", len(data), err)
	}
	if _, err := s.Seek(0, io.SeekStart); err != nil {
		t.Fatal(err)
	}
	if err := iotest.TestReader(s, want); err != nil {
		t.Error(err)
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
	if left, err := os.ReadDir(os.Getenv("TMPDIR")); err != nil || len(left) != 0 {
		t.Errorf("left %v, %v", left, err)
	}
}
