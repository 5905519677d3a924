package rules

import (
	"errors"
	"os"
	"path/filepath"
	"testing"
)

// FuzzLoad starts from every pack and every bad file. Whatever the bytes of a
// version: no panic; either a library whose clauses have their place and can
// be described, or no library and problems that say where and what.
func FuzzLoad(f *testing.F) {
	for _, pattern := range []string{"packs/*/*.yaml", "testdata/bad/*.yaml"} {
		files, err := filepath.Glob(pattern)
		if err != nil || len(files) == 0 {
			f.Fatalf("%s: %d files, %v", pattern, len(files), err)
		}
		for _, file := range files {
			data, err := os.ReadFile(file)
			if err != nil {
				f.Fatal(err)
			}
			f.Add(data)
		}
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		l, err := Load(folder(map[string]string{"xx-bad/2030-01-01.yaml": string(data) + "\n"}))
		if err == nil {
			for _, p := range l.History("xx-bad") {
				p.Walk(func(n *Node, _ bool) {
					if n.Line < 1 || n.Column < 1 || Describe(n) == "" {
						t.Errorf("clause %q at %d:%d: %q", n.ID, n.Line, n.Column, Describe(n))
					}
				})
			}
			return
		}
		var ps Problems
		if l != nil || !errors.As(err, &ps) || len(ps) == 0 {
			t.Fatalf("library %v with error %v", l, err)
		}
		for _, p := range ps {
			if p.File == "" || p.Expected.IsZero() || p.Found.IsZero() || p.Mend.IsZero() || (p.Line < 1) != (p.Column < 1) {
				t.Errorf("a part of the problem is empty: %+v", p)
			}
		}
	})
}
