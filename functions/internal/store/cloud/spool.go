package cloud

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/rand"
	"encoding/binary"
	"errors"
	"io"
	"os"
)

// spool is a temporary file that lies encrypted on the disk (AES-256 in counter
// mode, NIST SP 800-38A section 6.5), under a key that is in memory alone and
// is used once: an upload of an encrypted store passes through it on its way.
// It is written once, from its beginning, and then read.
type spool struct {
	file  *os.File
	block cipher.Block
	at    int64
}

func newSpool() (*spool, error) {
	key := make([]byte, 32)
	if _, err := rand.Read(key); err != nil {
		return nil, err
	}
	block, err := aes.NewCipher(key)
	if err != nil {
		return nil, err
	}
	f, err := os.CreateTemp("", "upload-*") // mode 0600
	if err != nil {
		return nil, err
	}
	return &spool{file: f, block: block}, nil
}

// turn encrypts or decrypts what stands at an offset of the file.
func (s *spool) turn(p []byte, at int64) {
	var counter [aes.BlockSize]byte
	binary.BigEndian.PutUint64(counter[8:], uint64(at)/aes.BlockSize)
	stream := cipher.NewCTR(s.block, counter[:])
	skip := make([]byte, at%aes.BlockSize)
	stream.XORKeyStream(skip, skip)
	stream.XORKeyStream(p, p)
}

func (s *spool) Write(p []byte) (int, error) {
	out := append([]byte{}, p...)
	s.turn(out, s.at)
	n, err := s.file.WriteAt(out, s.at)
	s.at += int64(n)
	return n, err
}

func (s *spool) Read(p []byte) (int, error) {
	n, err := s.file.ReadAt(p, s.at)
	s.turn(p[:n], s.at)
	s.at += int64(n)
	if n > 0 && errors.Is(err, io.EOF) {
		err = nil
	}
	return n, err
}

func (s *spool) Seek(offset int64, whence int) (int64, error) {
	switch whence {
	case io.SeekCurrent:
		offset += s.at
	case io.SeekEnd:
		info, err := s.file.Stat()
		if err != nil {
			return 0, err
		}
		offset += info.Size()
	}
	if offset < 0 {
		return 0, errors.New("a place before the beginning of the file")
	}
	s.at = offset
	return s.at, nil
}

// Close removes the file.
func (s *spool) Close() error { return errors.Join(s.file.Close(), os.Remove(s.file.Name())) }
