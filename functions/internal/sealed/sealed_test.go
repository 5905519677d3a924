package sealed

import (
	"bytes"
	"crypto/aes"
	"crypto/cipher"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"errors"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"testing/iotest"
)

var testKey = bytes.Repeat([]byte{7}, 32)

func seal(t testing.TB, text []byte, name string) []byte {
	t.Helper()
	var out bytes.Buffer
	w, err := NewWriter(&out, testKey, name)
	if err != nil {
		t.Fatal(err)
	}
	for rest := text; len(rest) > 0; { // in odd pieces
		n := min(len(rest), 10_007)
		if _, err := w.Write(rest[:n]); err != nil {
			t.Fatal(err)
		}
		rest = rest[n:]
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := w.Write([]byte("x")); err == nil {
		t.Error("written after the end")
	}
	return out.Bytes()
}

func open(data []byte, key []byte, name string) ([]byte, error) {
	r, err := NewReader(iotest.HalfReader(bytes.NewReader(data)), key, name)
	if err != nil {
		return nil, err
	}
	return io.ReadAll(r)
}

func text(n int) []byte {
	out := make([]byte, n)
	rand.Read(out)
	return out
}

var sizes = []int{0, 1, chunk - 1, chunk, chunk + 1, 2*chunk - 1, 2 * chunk, 3*chunk + 17}

func TestRoundTrip(t *testing.T) {
	for _, n := range sizes {
		want := text(n)
		data := seal(t, want, "a")
		got, err := open(data, testKey, "a")
		if err != nil || !bytes.Equal(got, want) {
			t.Errorf("%d bytes: %v", n, err)
		}
		if TextSize(int64(len(data))) != int64(n) {
			t.Errorf("%d bytes sealed to %d, from which %d are told", n, len(data), TextSize(int64(len(data))))
		}
		if n > 40 && bytes.Contains(data, want[:20]) {
			t.Errorf("%d bytes: the text lies open", n)
		}
		if !IsSealed(data) || bytes.Equal(data, seal(t, want, "a")) {
			t.Errorf("%d bytes: not recognised, or sealed to the same twice", n)
		}
	}
	if TextSize(10) != -1 {
		t.Error("a stream without a chunk has a text")
	}
}

// The bytes are what the construction says, reckoned here anew: HKDF by its
// two steps of HMAC (RFC 5869, sections 2.2 and 2.3), GCM by the nonces.
func TestFormat(t *testing.T) {
	want := text(chunk + 5)
	data := seal(t, want, "name")
	salt := data[20:52]
	sum := func(key []byte, parts ...string) []byte {
		h := hmac.New(sha256.New, key)
		for _, p := range parts {
			h.Write([]byte(p))
		}
		return h.Sum(nil)
	}
	key := sum(sum(salt, string(testKey)), "airwarrant sealed stream", "\x01")
	block, err := aes.NewCipher(key)
	if err != nil {
		t.Fatal(err)
	}
	gcm, err := cipher.NewGCM(block)
	if err != nil {
		t.Fatal(err)
	}
	one, err1 := gcm.Open(nil, make([]byte, 12), data[52:52+65552], []byte("name"))
	two, err2 := gcm.Open(nil, []byte{0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1, 1}, data[52+65552:], []byte("name"))
	if err1 != nil || err2 != nil || !bytes.Equal(append(one, two...), want) {
		t.Errorf("%v, %v", err1, err2)
	}
}

// Whatever is altered, left out, moved or cut off is told, and nothing that is
// not authentic is given out.
func TestDamage(t *testing.T) {
	want := text(3*chunk + 100)
	data := seal(t, want, "a")
	at := func(i int) int { return header + i*(chunk+overhead) }
	flip := func(i int) []byte {
		out := bytes.Clone(data)
		out[i] ^= 1
		return out
	}
	join := func(parts ...[]byte) []byte { return bytes.Join(parts, nil) }
	other := seal(t, want, "a")
	for name, bad := range map[string][]byte{
		"first byte": flip(0), "salt": flip(25), "text": flip(at(1) + 5), "tag": flip(at(2) - 1), "last byte": flip(len(data) - 1),
		"cut in a chunk": data[:at(2)+77], "cut between chunks": data[:at(3)], "cut after the salt": data[:header], "cut in the salt": data[:30], "empty": nil,
		"a chunk left out": join(data[:at(1)], data[at(2):]), "two exchanged": join(data[:at(0)], data[at(1):at(2)], data[at(0):at(1)], data[at(2):]),
		"one repeated": join(data[:at(1)], data[at(0):]), "more behind": join(data, data[at(3):]), "a byte behind": join(data, []byte{0}),
		"of another stream": join(data[:at(1)], other[at(1):at(2)], data[at(2):]),
	} {
		got, err := open(bad, testKey, "a")
		if !errors.Is(err, ErrDamaged) || !bytes.HasPrefix(want, got) || len(got)%chunk != 0 {
			t.Errorf("%s: %d bytes, %v", name, len(got), err)
		}
	}
	if _, err := open(data, testKey, "b"); !errors.Is(err, ErrDamaged) {
		t.Errorf("another name: %v", err)
	}
	if _, err := open(data, bytes.Repeat([]byte{8}, 32), "a"); !errors.Is(err, ErrDamaged) {
		t.Errorf("another key: %v", err)
	}
	wrong := errors.New("the disk")
	r, err := NewReader(io.MultiReader(bytes.NewReader(data[:at(1)+5]), iotest.ErrReader(wrong)), testKey, "a")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := io.ReadAll(r); !errors.Is(err, wrong) {
		t.Errorf("an error of the disk: %v", err)
	}
}

func FuzzReader(f *testing.F) {
	for _, n := range []int{0, 5, chunk + 1} {
		f.Add(seal(f, text(n), "a"))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		got, err := open(data, testKey, "a")
		if err == nil && int64(len(got)) != TextSize(int64(len(data))) {
			t.Errorf("%d bytes from %d", len(got), len(data))
		}
	})
}

func TestKeyFile(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "key")
	if err := NewKeyFile(file); err != nil {
		t.Fatal(err)
	}
	k, err := ReadKeyFile(file)
	if err != nil {
		t.Fatal(err)
	}
	one, err1 := k.For("a", nil, 64)
	two, err2 := k.For("b", nil, 64)
	three, err3 := k.For("a", []byte("salt"), 64)
	if err := errors.Join(err1, err2, err3); err != nil || len(one) != 64 || bytes.Equal(one, two) || bytes.Equal(one, three) {
		t.Errorf("%x %x %x %v", one, two, three, err)
	}
	if err := NewKeyFile(file); err == nil || !strings.Contains(err.Error(), "there already") {
		t.Errorf("written over: %v", err)
	}
	if _, err := ReadKeyFile(filepath.Join(dir, "none")); err == nil {
		t.Error("a file that is not there")
	}
	for _, bad := range []string{"", "abc", strings.Repeat("g", 64), strings.Repeat("a", 66), strings.Repeat("a", 2000)} {
		if err := os.WriteFile(filepath.Join(dir, "bad"), []byte(bad), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := ReadKeyFile(filepath.Join(dir, "bad")); err == nil || bad != "" && strings.Contains(err.Error(), bad) && bad != "abc" {
			t.Errorf("%.10q: %v", bad, err)
		}
	}
	if runtime.GOOS != "windows" {
		if err := os.Chmod(file, 0o640); err != nil {
			t.Fatal(err)
		}
		if _, err := ReadKeyFile(file); err == nil || !strings.Contains(err.Error(), "0640") {
			t.Errorf("a file that a group may read: %v", err)
		}
	}
}
