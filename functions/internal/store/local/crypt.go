package local

import (
	"bytes"
	"crypto/aes"
	"crypto/hmac"
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	_ "github.com/ncruces/go-sqlite3/vfs/xts" // the file layer that encrypts the database
	"golang.org/x/crypto/xts"

	"airwarrant/functions/internal/sealed"
	"airwarrant/qualify/casework"
)

// keyName is the file, beside the database, by which an encrypted store is
// known: a salt, and what the right key gives with it. The key itself is kept
// elsewhere.
const keyName = "key"

// crypt are the keys of an encrypted store; nil for one that is not.
type crypt struct {
	file     []byte // what keyName holds
	database []byte // 64 bytes: AES-256-XTS (IEEE 1619, NIST SP 800-38E)
	uploads  []byte // 32 bytes; see sealed.NewWriter
	backups  []byte // likewise
}

// keyFile is what keyName holds.
type keyFile struct {
	Format int    `json:"format"` // 1
	Salt   string `json:"salt"`   // 32 bytes in hex
	Check  string `json:"check"`  // 16 bytes in hex, derived from key and salt
}

// newCrypt draws a salt for a store that is to be encrypted by key; nil for no
// key.
func newCrypt(key *sealed.Key) (*crypt, error) {
	if key == nil {
		return nil, nil
	}
	salt := make([]byte, 32)
	if _, err := rand.Read(salt); err != nil {
		return nil, err
	}
	return cryptOf(key, salt)
}

func cryptOf(key *sealed.Key, salt []byte) (*crypt, error) {
	database, err1 := key.For("database", salt, 64)
	uploads, err2 := key.For("uploads", salt, 32)
	check, err3 := key.For("check", salt, 16)
	backups, err4 := backupKey(key)
	if err := errors.Join(err1, err2, err3, err4); err != nil {
		return nil, err
	}
	data, err := json.Marshal(keyFile{1, hex.EncodeToString(salt), hex.EncodeToString(check)})
	return &crypt{append(data, '\n'), database, uploads, backups}, err
}

// unlock finds out whether the store in dir is encrypted, and opens it with
// key, which is nil for none. A store that is to be made is encrypted where
// there is a key.
func unlock(dir string, key *sealed.Key) (*crypt, error) {
	path, db := filepath.Join(dir, casesDir, keyName), filepath.Join(dir, casesDir, dbName)
	if key != nil {
		if at, err := filepath.Rel(real(dir), real(key.File)); err == nil && at != ".." && !strings.HasPrefix(at, ".."+string(filepath.Separator)) {
			return nil, fmt.Errorf("the key file %s lies in the data folder %s, where who takes the one has the other; keep it elsewhere", key.File, dir)
		}
	}
	data, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		start, err := startOf(db)
		if err != nil {
			return nil, err
		}
		switch {
		case len(start) == 0 && key == nil:
			return nil, nil // new, and not to be encrypted
		case len(start) == 0:
			c, err := newCrypt(key)
			if err != nil {
				return nil, err
			}
			// Before the first byte of the database: a kill in between leaves an
			// empty store that this key opens.
			return c, writeDurably(path, c.file)
		case bytes.Equal(start, []byte("SQLite format 3\x00")) && key != nil:
			return nil, fmt.Errorf("the store in %s is not encrypted, and a key file was named; to encrypt it: airwarrant backup FILE --data %s, then airwarrant restore FILE --data ANOTHER --key-file KEY; to serve it as it is, leave out --key-file", dir, dir)
		case !bytes.Equal(start, []byte("SQLite format 3\x00")) && key != nil:
			return nil, fmt.Errorf("%s: expected this file beside a database that is encrypted, found none; restore a backup into a new folder", path)
		}
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	if key == nil {
		return nil, fmt.Errorf("the store in %s is encrypted; name its key file with --key-file", dir)
	}
	return openCrypt(path, data, key)
}

// real is a path without symbolic links, as far as it is there.
func real(path string) string {
	if p, err := filepath.EvalSymlinks(path); err == nil {
		return p
	}
	return path
}

// openCrypt reads what keyName holds and holds the key against it.
func openCrypt(path string, data []byte, key *sealed.Key) (*crypt, error) {
	var kf keyFile
	err := json.Unmarshal(data, &kf)
	salt, serr := hex.DecodeString(kf.Salt)
	check, cerr := hex.DecodeString(kf.Check)
	if err = errors.Join(err, serr, cerr); err != nil || kf.Format != 1 || len(salt) != 32 || len(check) != 16 {
		return nil, fmt.Errorf("%s: expected the salt and the check of an encrypted store in format 1, found something else (%v); restore a backup into a new folder", path, err)
	}
	c, err := cryptOf(key, salt)
	if err != nil {
		return nil, err
	}
	found, err := key.For("check", salt, 16)
	if err != nil {
		return nil, err
	}
	if !hmac.Equal(found, check) {
		return nil, fmt.Errorf("the key file %s is not the one of this store; name the one that it was encrypted with", key.File)
	}
	return c, nil
}

// startOf is how a file begins, nothing where there is none or it is empty.
func startOf(path string) ([]byte, error) {
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	defer f.Close()
	start := make([]byte, 16)
	n, err := io.ReadFull(f, start)
	if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
		return nil, err
	}
	return start[:n], nil
}

// writeDurably makes a small file that is there whole or not at all.
func writeDurably(path string, data []byte) error {
	f, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+"-*") // mode 0600
	if err != nil {
		return err
	}
	defer os.Remove(f.Name()) // without effect after the rename
	_, err = f.Write(data)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	if err := os.Rename(f.Name(), path); err != nil {
		return err
	}
	return syncDir(filepath.Dir(path))
}

// uri names a database of the store for SQLite, with more parameters after
// it. The key stands in it: it belongs into no error and no log.
func (c *crypt) uri(path string, parameters ...string) string {
	if c != nil {
		parameters = append([]string{"vfs=xts", "hexkey=" + hex.EncodeToString(c.database)}, parameters...)
	}
	uri := fileURI(path)
	if len(parameters) > 0 {
		uri += "?" + strings.Join(parameters, "&")
	}
	return uri
}

// sealUpload returns a writer that lays an upload on the disk through w. Close
// ends it and leaves w open.
func (c *crypt) sealUpload(w io.Writer, sha string) (io.WriteCloser, error) {
	if c == nil {
		return plain{w}, nil
	}
	return sealed.NewWriter(w, c.uploads, uploadSeal(sha))
}

// openUpload returns what an upload says; ErrHash where its file was altered.
func (c *crypt) openUpload(f io.ReadCloser, sha string) (io.ReadCloser, error) {
	if c == nil {
		return f, nil
	}
	r, err := sealed.NewReader(f, c.uploads, uploadSeal(sha))
	if err != nil {
		return nil, errors.Join(asHash(sha, err), f.Close())
	}
	return opened{named{r, sha}, f}, nil
}

// uploadSize is how long an upload is whose file has size bytes.
func (c *crypt) uploadSize(size int64) int64 {
	if c == nil {
		return size
	}
	return sealed.TextSize(size)
}

// uploadSeal is what an upload is sealed as, so that none passes for another.
func uploadSeal(sha string) string { return "upload " + sha }

// asHash words that sealed bytes were altered as what it means of an upload.
func asHash(sha string, err error) error {
	if errors.Is(err, sealed.ErrDamaged) {
		return fmt.Errorf("upload %s: %w: %w", sha, casework.ErrHash, err)
	}
	return err
}

// named is the text of a sealed upload.
type named struct {
	io.Reader
	sha string
}

func (r named) Read(p []byte) (int, error) {
	n, err := r.Reader.Read(p)
	return n, asHash(r.sha, err)
}

type opened struct {
	io.Reader
	io.Closer
}

type plain struct{ io.Writer }

func (plain) Close() error { return nil }

// sectorSize is that of the file layer that encrypts the database: each sector
// is one unit of XTS, and its number from 0 the tweak (package documentation
// of go-sqlite3, vfs/xts).
const sectorSize = 512

// sectors turns the file of a database, encrypted or to be, sector by sector.
type sectors struct {
	cipher *xts.Cipher
	n      uint64
}

func newSectors(c *crypt) (*sectors, error) {
	cipher, err := xts.NewCipher(aes.NewCipher, c.database)
	return &sectors{cipher: cipher}, err
}

// openDatabase returns what the file of a database says without its
// encryption, r itself where there is none.
func (c *crypt) openDatabase(r io.Reader) (io.Reader, error) {
	if c == nil {
		return r, nil
	}
	s, err := newSectors(c)
	return &sectorReader{sectors: s, r: r}, err
}

type sectorReader struct {
	*sectors
	r      io.Reader
	sector [sectorSize]byte
	rest   []byte // of the sector, not given out yet
}

func (r *sectorReader) Read(p []byte) (int, error) {
	if len(r.rest) == 0 {
		if _, err := io.ReadFull(r.r, r.sector[:]); err != nil {
			return 0, err // io.EOF only between sectors
		}
		r.cipher.Decrypt(r.sector[:], r.sector[:], r.n)
		r.n++
		r.rest = r.sector[:]
	}
	n := copy(p, r.rest)
	r.rest = r.rest[n:]
	return n, nil
}

// sealDatabase returns a writer that encrypts the file of a database on its way
// to w. Close fails where it ends within a sector.
func (c *crypt) sealDatabase(w io.Writer) (io.WriteCloser, error) {
	if c == nil {
		return plain{w}, nil
	}
	s, err := newSectors(c)
	return &sectorWriter{sectors: s, w: w}, err
}

type sectorWriter struct {
	*sectors
	w   io.Writer
	buf []byte
}

func (w *sectorWriter) Write(p []byte) (int, error) {
	w.buf = append(w.buf, p...)
	whole := len(w.buf) - len(w.buf)%sectorSize
	for i := 0; i < whole; i += sectorSize {
		w.cipher.Encrypt(w.buf[i:i+sectorSize], w.buf[i:i+sectorSize], w.n)
		w.n++
	}
	if _, err := w.w.Write(w.buf[:whole]); err != nil {
		return 0, err
	}
	w.buf = append(w.buf[:0], w.buf[whole:]...)
	return len(p), nil
}

func (w *sectorWriter) Close() error {
	if len(w.buf) > 0 {
		return fmt.Errorf("expected a database of whole sectors of %d bytes, found %d bytes more", sectorSize, len(w.buf))
	}
	return nil
}
