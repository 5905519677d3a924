package sealed

import (
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
)

// keySize is the length of the secret in bytes.
const keySize = 32

// NewKeyFile draws a key and writes it to a file that must not be there yet
// and that its owner alone may read: 64 digits in hex, and a line end.
func NewKeyFile(file string) error {
	secret := make([]byte, keySize)
	if _, err := rand.Read(secret); err != nil {
		return fmt.Errorf("key file: %w", err)
	}
	f, err := os.OpenFile(file, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if errors.Is(err, os.ErrExist) {
		return fmt.Errorf("key file %s: it is there already, and what it opens could never be opened again; name another", file)
	}
	if err != nil {
		return fmt.Errorf("key file: %w", err)
	}
	_, err = fmt.Fprintln(f, hex.EncodeToString(secret))
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("key file %s: %w", file, err)
	}
	return nil
}

// ReadKeyFile reads the key of a file, which nobody but its owner may be able
// to read. The error holds nothing of what the file says.
func ReadKeyFile(file string) (*Key, error) {
	path, err := filepath.Abs(file)
	if err != nil {
		return nil, fmt.Errorf("key file: %w", err)
	}
	info, err := os.Stat(path)
	if err != nil {
		return nil, fmt.Errorf("key file: %w; check the name, and that the place where it is kept is there", err)
	}
	if mode := info.Mode().Perm(); runtime.GOOS != "windows" && mode&0o077 != 0 {
		return nil, fmt.Errorf("key file %s: expected a file that its owner alone may read, found the mode %04o; give it the mode 0600", file, mode)
	}
	if info.Size() > 1024 {
		return nil, fmt.Errorf("key file %s: expected 64 digits in hex, found %d bytes; name the file that airwarrant key wrote", file, info.Size())
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("key file: %w", err)
	}
	text := strings.TrimSpace(string(data))
	secret, err := hex.DecodeString(text)
	if err != nil || len(secret) != keySize {
		return nil, fmt.Errorf("key file %s: expected 64 digits in hex, found %d characters that are not; name the file that airwarrant key wrote", file, len(text))
	}
	return &Key{File: path, secret: secret}, nil
}
