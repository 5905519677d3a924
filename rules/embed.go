package rules

import (
	"embed"
	"io/fs"
	"sync"
)

//go:embed packs
var packs embed.FS

var embedded = sync.OnceValues(func() (*Library, error) {
	sub, err := fs.Sub(packs, "packs")
	if err != nil {
		return nil, err
	}
	return Load(sub)
})

// Embedded returns the library of the packs in the binary. They are parsed on
// the first call; later calls return the same library. The error is Problems.
func Embedded() (*Library, error) { return embedded() }
