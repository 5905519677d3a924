// Package sealed encrypts files for the disk: a key in a file that is kept
// elsewhere, keys derived from it, and streams of any length that are
// encrypted and authenticated in chunks.
//
// Call NewKeyFile once and ReadKeyFile from then on; Key.For gives a key for
// one use. NewWriter and NewReader seal and open a stream.
//
// # A sealed stream
//
//	"airwarrant sealed 1\n"       20 bytes
//	salt                          32 random bytes
//	chunk 0, chunk 1, ...         64 KiB of text and 16 bytes of tag each, the last one shorter or as long
//
// Each stream has a key of its own, by HKDF (RFC 5869, SHA-256) of the key and
// the salt. A chunk is sealed by AES-256-GCM (NIST SP 800-38D) under a nonce
// of its number in 11 bytes, the most significant first, and one byte that is
// 1 for the last chunk and 0 for the others. This is the construction STREAM of
// Hoang, Reyhanitabar, Rogaway and Vizár, "Online Authenticated-Encryption and
// its Nonce-Reuse Misuse-Resistance", CRYPTO 2015 (named from memory): no
// chunk can be altered, left out, repeated, moved or cut off unnoticed. What
// the stream is of goes into every tag, so that none passes for another.
//
// What it does not do: it hides no length, and it cannot tell that a whole
// stream was put in place of one of the same name that was sealed before.
package sealed

import (
	"bufio"
	"bytes"
	"crypto/aes"
	"crypto/cipher"
	"crypto/hkdf"
	"crypto/rand"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
)

const (
	magic    = "airwarrant sealed 1\n"
	saltSize = 32
	header   = len(magic) + saltSize
	chunk    = 64 << 10 // of text
	overhead = 16       // the tag of GCM
)

// ErrDamaged: the bytes are no sealed stream of this key and name, or were
// altered or cut off.
var ErrDamaged = errors.New("the sealed bytes were altered or cut off, or are of another key")

// IsSealed reports whether a stream that begins so is a sealed one. It needs
// the first 20 bytes.
func IsSealed(start []byte) bool { return bytes.HasPrefix(start, []byte(magic)) }

// TextSize is the length of the text of a sealed stream of size bytes; -1 if
// none is so long.
func TextSize(size int64) int64 {
	rest := size - int64(header)
	if rest < overhead {
		return -1
	}
	chunks := (rest + chunk + overhead - 1) / (chunk + overhead)
	return rest - chunks*overhead
}

// stream is what writer and reader share.
type stream struct {
	aead cipher.AEAD
	name []byte
	n    uint64 // chunks done
}

func newStream(key, salt []byte, name string) (stream, error) {
	own, err := hkdf.Key(sha256.New, key, salt, "airwarrant sealed stream", 32)
	if err != nil {
		return stream{}, err
	}
	block, err := aes.NewCipher(own)
	if err != nil {
		return stream{}, err
	}
	aead, err := cipher.NewGCM(block)
	return stream{aead: aead, name: []byte(name)}, err
}

// nonce is that of the next chunk.
func (s *stream) nonce(last bool) []byte {
	nonce := make([]byte, 12)
	binary.BigEndian.PutUint64(nonce[3:11], s.n)
	if last {
		nonce[11] = 1
	}
	s.n++
	return nonce
}

type writer struct {
	stream
	w    io.Writer
	text []byte // of the chunk that is not sealed yet
	out  []byte
	err  error
}

// NewWriter returns a writer that seals what is written to it under a key of
// 32 bytes and the name of the stream. Close seals the last chunk; without it
// the stream is damaged. It does not close w.
func NewWriter(w io.Writer, key []byte, name string) (io.WriteCloser, error) {
	salt := make([]byte, saltSize)
	if _, err := rand.Read(salt); err != nil {
		return nil, err
	}
	s, err := newStream(key, salt, name)
	if err != nil {
		return nil, err
	}
	if _, err := w.Write(append([]byte(magic), salt...)); err != nil {
		return nil, err
	}
	return &writer{stream: s, w: w, text: make([]byte, 0, chunk)}, nil
}

// seal writes the chunk that is full, or the last one.
func (w *writer) seal(last bool) error {
	w.out = w.aead.Seal(w.out[:0], w.nonce(last), w.text, w.name)
	w.text = w.text[:0]
	_, w.err = w.w.Write(w.out)
	return w.err
}

func (w *writer) Write(p []byte) (int, error) {
	n := 0
	for len(p) > 0 && w.err == nil {
		// A full chunk waits until it is known whether it is the last.
		if len(w.text) == chunk {
			if err := w.seal(false); err != nil {
				return n, err
			}
		}
		took := min(chunk-len(w.text), len(p))
		w.text, p, n = append(w.text, p[:took]...), p[took:], n+took
	}
	return n, w.err
}

func (w *writer) Close() error {
	if w.err != nil {
		return w.err
	}
	if err := w.seal(true); err != nil {
		return err
	}
	w.err = errors.New("the sealed stream has ended")
	return nil
}

type reader struct {
	stream
	r    *bufio.Reader
	in   []byte
	text []byte // opened and not read yet
	err  error
}

// NewReader returns a reader of the text of a sealed stream. It gives no byte
// that it has not authenticated; ErrDamaged where it cannot, also where the
// stream ends too early.
func NewReader(r io.Reader, key []byte, name string) (io.Reader, error) {
	head := make([]byte, header)
	if _, err := io.ReadFull(r, head); err != nil {
		return nil, ended(err)
	}
	if !IsSealed(head) {
		return nil, ErrDamaged
	}
	s, err := newStream(key, head[len(magic):], name)
	if err != nil {
		return nil, err
	}
	return &reader{stream: s, r: bufio.NewReaderSize(r, chunk+overhead+1), in: make([]byte, chunk+overhead)}, nil
}

// ended is ErrDamaged for a stream that ended too early.
func ended(err error) error {
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		return ErrDamaged
	}
	return err
}

func (r *reader) Read(p []byte) (int, error) {
	for len(r.text) == 0 {
		if r.err != nil {
			return 0, r.err
		}
		if r.err = r.open(); r.err != nil && r.err != io.EOF {
			r.text = nil
		}
	}
	n := copy(p, r.text)
	r.text = r.text[n:]
	return n, nil
}

// open opens the next chunk; io.EOF after the last.
func (r *reader) open() error {
	n, err := io.ReadFull(r.r, r.in)
	if err != nil && !errors.Is(err, io.ErrUnexpectedEOF) {
		return ended(err)
	}
	_, more := r.r.Peek(1)
	last := errors.Is(more, io.EOF)
	if more != nil && !last {
		return more
	}
	text, err := r.aead.Open(r.in[:0], r.nonce(last), r.in[:n], r.name)
	if err != nil {
		return ErrDamaged
	}
	// Only an empty stream has an empty chunk.
	if len(text) == 0 && r.n > 1 {
		return ErrDamaged
	}
	if r.text = text; last {
		return io.EOF
	}
	return nil
}

// Key is the key of a key file.
type Key struct {
	File   string // where it was read
	secret []byte // 32 bytes
}

// For derives a key of size bytes for one use; salt may be nil.
func (k *Key) For(use string, salt []byte, size int) ([]byte, error) {
	out, err := hkdf.Key(sha256.New, k.secret, salt, "airwarrant "+use, size)
	if err != nil {
		return nil, fmt.Errorf("deriving a key: %w", err)
	}
	return out, nil
}
