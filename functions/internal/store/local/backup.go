package local

import (
	"archive/tar"
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path"
	"path/filepath"
	"strings"

	"airwarrant/functions/internal/sealed"
	"airwarrant/qualify/casework"
)

// sumsName is the last file of a backup: the SHA-256 of each other one, a line
// each, as the common command sha256sum writes and checks it. That it is there
// shows that the backup was not cut short.
const sumsName = "SHA256SUMS"

// backupSeal is what the backup of an encrypted store is sealed as.
const backupSeal = "backup"

// backupKey is the key of the backups of a store that key encrypts.
func backupKey(key *sealed.Key) ([]byte, error) { return key.For("backup", nil, 32) }

// Backup writes everything to w as a tar file: the database as it stands at
// one instant, the uploads, and their hashes, all without the encryption of
// the store. Of an encrypted store the tar file as a whole is a stream of
// package sealed, by the same key, and nothing of it is ever on the disk in the
// clear. It may be taken while the store is in use. The backup holds the keys
// of all cases: keep it as safe as the folder, and destroy it when what it
// holds is to be destroyed.
//
// Damaged are the hashes of uploads whose files were altered before the
// backup; they are in it as they are, and left out where the store is encrypted
// and they cannot be opened. With an error the backup is not whole.
func (s *Store) Backup(ctx context.Context, w io.Writer) (damaged []string, err error) {
	if s.keys == nil {
		return s.backup(ctx, w)
	}
	to, err := sealed.NewWriter(w, s.keys.backups, backupSeal)
	if err != nil {
		return nil, fmt.Errorf("backup: %w", err)
	}
	damaged, err = s.backup(ctx, to)
	if err == nil {
		err = to.Close()
	}
	return damaged, err
}

func (s *Store) backup(ctx context.Context, w io.Writer) (damaged []string, err error) {
	const doing = "backup"
	// Nothing that the database of this instant names may be swept meanwhile.
	s.files.RLock()
	defer s.files.RUnlock()
	tmp, err := os.MkdirTemp(filepath.Join(s.dir, tmpDir), "backup-*")
	if err != nil {
		return nil, fmt.Errorf("%s: %w", doing, err)
	}
	defer os.RemoveAll(tmp)
	copied := filepath.Join(tmp, dbName)
	if _, err := s.db.ExecContext(ctx, "VACUUM INTO ?", s.keys.uri(copied)); err != nil {
		return nil, s.dbError(doing, err)
	}
	b := backup{ctx: ctx, tar: tar.NewWriter(w)}
	f, err := os.Open(copied)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", doing, err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, fmt.Errorf("%s: %w", doing, err)
	}
	db, err := s.keys.openDatabase(f)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", doing, err)
	}
	if _, err := b.add(path.Join(casesDir, dbName), db, info.Size()); err != nil {
		return nil, err
	}
	for u, err := range casework.All(ctx, s.Uploads) {
		if err != nil {
			return nil, fmt.Errorf("%s: %w", doing, err)
		}
		if s.keys != nil {
			// Once the tar file says how long an upload is there is no way back.
			if err := s.opens(ctx, u.SHA256); errors.Is(err, casework.ErrHash) {
				damaged = append(damaged, u.SHA256)
				continue
			} else if err != nil {
				return nil, fmt.Errorf("%s: %w", doing, err)
			}
		}
		r, err := s.Upload(ctx, u.SHA256)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", doing, err)
		}
		found, err := b.add(path.Join(uploadsDir, u.SHA256[:2], u.SHA256), r, u.Size)
		r.Close()
		if err != nil {
			return nil, err
		}
		if found != u.SHA256 {
			damaged = append(damaged, u.SHA256)
		}
	}
	if err := b.tar.WriteHeader(header(sumsName, int64(b.sums.Len()))); err != nil {
		return nil, fmt.Errorf("%s: %w", doing, err)
	}
	if _, err := b.sums.WriteTo(b.tar); err != nil {
		return nil, fmt.Errorf("%s: %w", doing, err)
	}
	if err := b.tar.Close(); err != nil {
		return nil, fmt.Errorf("%s: %w", doing, err)
	}
	return damaged, nil
}

// opens reads an encrypted upload to its end.
func (s *Store) opens(ctx context.Context, sha string) error {
	r, err := s.Upload(ctx, sha)
	if err != nil {
		return err
	}
	defer r.Close()
	_, err = io.Copy(io.Discard, contextReader{ctx, r})
	return err
}

type backup struct {
	ctx  context.Context
	tar  *tar.Writer
	sums bytes.Buffer
}

func header(name string, size int64) *tar.Header {
	return &tar.Header{Typeflag: tar.TypeReg, Name: name, Size: size, Mode: 0o600, Format: tar.FormatPAX}
}

// add writes one file of size bytes and returns its SHA-256.
func (b *backup) add(name string, r io.Reader, size int64) (string, error) {
	if err := b.tar.WriteHeader(header(name, size)); err != nil {
		return "", fmt.Errorf("backup: %s: %w", name, err)
	}
	sum := sha256.New()
	if _, err := io.Copy(io.MultiWriter(b.tar, sum), contextReader{b.ctx, r}); err != nil {
		return "", fmt.Errorf("backup: %s: %w", name, err)
	}
	found := hex.EncodeToString(sum.Sum(nil))
	fmt.Fprintf(&b.sums, "%s  %s\n", found, name)
	return found, nil
}

// RestoreKeys are the keys of a restore, each nil for none.
type RestoreKeys struct {
	Backup *sealed.Key // of the store that the backup was taken of; not looked at where that was not encrypted
	Store  *sealed.Key // by which the restored store is encrypted
}

// Restore makes the data folder dir out of a backup. Dir must not exist, or
// be empty. Everything is unpacked beside it, held against the hashes in the
// backup and then checked as VerifyAll does; only then does it become dir. An
// error leaves dir as it was. The report may name faults that were there
// before the backup was taken.
//
// The restored store is encrypted by keys.Store, whatever the backup was of:
// so a store comes to be encrypted, gets another key, or loses its encryption.
func Restore(ctx context.Context, r io.Reader, dir string, keys RestoreKeys) (*casework.Report, error) {
	dir, err := filepath.Abs(dir)
	if err != nil {
		return nil, err
	}
	entries, err := os.ReadDir(dir)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return nil, fmt.Errorf("restore: %w", err)
	}
	if len(entries) > 0 {
		return nil, fmt.Errorf("restore: expected %s to be empty or missing, found %q in it; give another folder with --data", dir, entries[0].Name())
	}
	in, err := unsealBackup(r, keys.Backup)
	if err != nil {
		return nil, err
	}
	parent := filepath.Dir(dir)
	if err := os.MkdirAll(parent, 0o700); err != nil {
		return nil, fmt.Errorf("restore: %w", err)
	}
	aside, err := os.MkdirTemp(parent, filepath.Base(dir)+".restore-*") // mode 0700
	if err != nil {
		return nil, fmt.Errorf("restore: %w", err)
	}
	defer os.RemoveAll(aside) // without effect after the rename
	if err := unpack(ctx, in, aside, keys.Store); err != nil {
		return nil, err
	}
	s, err := OpenSealed(aside, keys.Store)
	if err != nil {
		return nil, fmt.Errorf("restore: %w", err)
	}
	report, err := s.VerifyAll(ctx)
	if err = errors.Join(err, s.Close()); err != nil {
		return nil, fmt.Errorf("restore: %w", err)
	}
	// An empty folder would refuse the rename on some systems.
	if err := os.Remove(dir); err != nil && !errors.Is(err, os.ErrNotExist) {
		return nil, fmt.Errorf("restore: %w", err)
	}
	if err := os.Rename(aside, dir); err != nil {
		return nil, fmt.Errorf("restore: %w", err)
	}
	if err := syncDir(parent); err != nil {
		return nil, fmt.Errorf("restore: %w", err)
	}
	return report, nil
}

// unsealBackup returns the tar file of a backup.
func unsealBackup(r io.Reader, key *sealed.Key) (io.Reader, error) {
	in := bufio.NewReader(r)
	start, err := in.Peek(20)
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("restore: %w", err)
	}
	if !sealed.IsSealed(start) {
		return in, nil
	}
	if key == nil {
		return nil, errors.New("restore: the backup is of an encrypted store; name the key file of that store with --key-file, or with --backup-key-file where the restored store gets another or none")
	}
	own, err := backupKey(key)
	if err != nil {
		return nil, err
	}
	out, err := sealed.NewReader(in, own, backupSeal)
	if err != nil {
		return nil, fmt.Errorf("restore: %w", err)
	}
	// The first chunk tells whether the key is the right one.
	tarFile := bufio.NewReader(out)
	if _, err := tarFile.Peek(1); errors.Is(err, sealed.ErrDamaged) {
		return nil, fmt.Errorf("restore: the backup does not open with the key file %s: it is of another key, or damaged at its beginning; name the key file of the store that it was taken of, or use another copy", key.File)
	}
	return tarFile, nil
}

// unpack writes the files of a backup under dir, encrypted by key where there is
// one, and compares their hashes.
func unpack(ctx context.Context, r io.Reader, dir string, key *sealed.Key) error {
	broken := func(format string, args ...any) error {
		return fmt.Errorf("restore: %s; nothing was restored, use another copy of the backup", fmt.Sprintf(format, args...))
	}
	keys, err := newCrypt(key)
	if err == nil && keys != nil {
		if err = os.MkdirAll(filepath.Join(dir, casesDir), 0o700); err == nil {
			err = writeDurably(filepath.Join(dir, casesDir, keyName), keys.file)
		}
	}
	if err != nil {
		return fmt.Errorf("restore: %w", err)
	}
	s := &Store{dir: dir}
	in := tar.NewReader(contextReader{ctx, r})
	found := map[string]string{} // name to SHA-256
	for n := 1; ; n++ {
		h, err := in.Next()
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if errors.Is(err, io.EOF) {
			return broken("expected %s as the last file, found the end after %d files: the backup was cut short", sumsName, len(found))
		}
		if err != nil {
			return broken("file %d is not readable as tar: %v", n, err)
		}
		if h.Typeflag != tar.TypeReg || sparse(h) {
			return broken("file %d, %q: expected a plain file, found type %q", n, h.Name, h.Typeflag)
		}
		if h.Name == sumsName {
			return compare(in, found, broken)
		}
		target, seal := filepath.Join(dir, casesDir, dbName), keys.sealDatabase
		if h.Name != path.Join(casesDir, dbName) {
			sha := path.Base(h.Name)
			var ok bool
			if target, ok = s.uploadPath(sha); !ok || h.Name != path.Join(uploadsDir, sha[:2], sha) {
				return broken("file %d: expected the database or an upload named by its SHA-256, found %q", n, h.Name)
			}
			seal = func(w io.Writer) (io.WriteCloser, error) { return keys.sealUpload(w, sha) }
		}
		if _, twice := found[h.Name]; twice {
			return broken("file %d: %s is there twice", n, h.Name)
		}
		if found[h.Name], err = write(target, in, seal); err != nil {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			return broken("file %d, %s: %v", n, h.Name, err)
		}
	}
}

// sparse reports whether a small tar file may unpack to a large one.
func sparse(h *tar.Header) bool {
	for key := range h.PAXRecords {
		if strings.HasPrefix(key, "GNU.sparse.") {
			return true
		}
	}
	return false
}

// write writes a file durably, through what seal returns, and returns the
// SHA-256 of what r says.
func write(target string, r io.Reader, seal func(io.Writer) (io.WriteCloser, error)) (string, error) {
	if err := os.MkdirAll(filepath.Dir(target), 0o700); err != nil {
		return "", err
	}
	f, err := os.OpenFile(target, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return "", err
	}
	sum := sha256.New()
	to, err := seal(f)
	if err == nil {
		_, err = io.Copy(io.MultiWriter(to, sum), r)
	}
	if err == nil {
		err = errors.Join(to.Close(), f.Sync())
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return "", err
	}
	for _, d := range []string{filepath.Dir(target), filepath.Dir(filepath.Dir(target))} {
		if err := syncDir(d); err != nil {
			return "", err
		}
	}
	return hex.EncodeToString(sum.Sum(nil)), nil
}

// compare holds the files that were found against the list of hashes.
func compare(r io.Reader, found map[string]string, broken func(string, ...any) error) error {
	if _, ok := found[path.Join(casesDir, dbName)]; !ok {
		return broken("the backup holds no database %s/%s", casesDir, dbName)
	}
	lines := bufio.NewScanner(r)
	for n := 1; lines.Scan(); n++ {
		sum, name, ok := strings.Cut(lines.Text(), "  ")
		if !ok {
			return broken("%s, line %d: expected a hash and a name, found %q", sumsName, n, lines.Text())
		}
		if found[name] != sum {
			return broken("%s, line %d: expected %q with the SHA-256 %s, found %q: the backup is damaged", sumsName, n, name, sum, found[name])
		}
		delete(found, name)
	}
	if err := lines.Err(); err != nil {
		return broken("%s: %v", sumsName, err)
	}
	for name := range found {
		return broken("%s does not name %q", sumsName, name)
	}
	return nil
}
