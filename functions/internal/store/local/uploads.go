package local

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"airwarrant/functions/internal/store/paging"
	"airwarrant/qualify/casework"
)

// uploadPath returns the file of an upload; false if sha is no SHA-256 in
// lower-case hex, which also keeps every path inside the folder.
func (s *Store) uploadPath(sha string) (string, bool) {
	if len(sha) != 2*sha256.Size || strings.Trim(sha, "0123456789abcdef") != "" {
		return "", false
	}
	return filepath.Join(s.dir, uploadsDir, sha[:2], sha), true
}

// contextReader ends with the context's error when ctx ends.
type contextReader struct {
	ctx context.Context
	r   io.Reader
}

func (r contextReader) Read(p []byte) (int, error) {
	if err := r.ctx.Err(); err != nil {
		return 0, err
	}
	return r.r.Read(p)
}

// PutUpload implements casework.Store. What is there already is written anew,
// so that a damaged file is mended by sending it again.
func (s *Store) PutUpload(ctx context.Context, sha string, r io.Reader) error {
	path, ok := s.uploadPath(sha)
	if !ok {
		return fmt.Errorf("upload %q: %w", sha, casework.ErrHash)
	}
	tmp, err := os.CreateTemp(filepath.Join(s.dir, tmpDir), "upload-*") // mode 0600
	if err != nil {
		return fmt.Errorf("upload %s: %w", sha, err)
	}
	defer os.Remove(tmp.Name()) // without effect after the rename
	sum := sha256.New()
	to, err := s.keys.sealUpload(tmp, sha)
	if err == nil {
		_, err = io.Copy(io.MultiWriter(to, sum), contextReader{ctx, r})
	}
	if err == nil {
		err = errors.Join(to.Close(), tmp.Sync())
	}
	if err = errors.Join(err, tmp.Close()); err != nil {
		return fmt.Errorf("upload %s: %w", sha, err)
	}
	if found := hex.EncodeToString(sum.Sum(nil)); found != sha {
		return fmt.Errorf("upload %s: %w: found %s", sha, casework.ErrHash, found)
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	s.files.RLock() // two puts may go together, a removal not
	defer s.files.RUnlock()
	folder := filepath.Dir(path)
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return fmt.Errorf("upload %s: %w", sha, err)
	}
	if err := os.Rename(tmp.Name(), path); err != nil {
		return fmt.Errorf("upload %s: %w", sha, err)
	}
	for _, d := range []string{folder, filepath.Dir(folder)} {
		if err := syncDir(d); err != nil {
			return fmt.Errorf("upload %s: %w", sha, err)
		}
	}
	return nil
}

// Upload implements casework.Store.
func (s *Store) Upload(ctx context.Context, sha string) (io.ReadCloser, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	path, ok := s.uploadPath(sha)
	if !ok {
		return nil, casework.ErrNotFound
	}
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, casework.ErrNotFound
	}
	if err != nil {
		return nil, err
	}
	return s.keys.openUpload(f, sha)
}

// Uploads implements casework.Store.
func (s *Store) Uploads(ctx context.Context, after string, limit int) ([]casework.StoredUpload, string, error) {
	last, err := paging.After(paging.Uploads, after, limit)
	if err != nil {
		return nil, "", err
	}
	folders, err := os.ReadDir(filepath.Join(s.dir, uploadsDir)) // in order
	if err != nil {
		return nil, "", err
	}
	var out []casework.StoredUpload
	for _, folder := range folders {
		if len(out) > limit || folder.Name() < last[:min(2, len(last))] {
			continue
		}
		if err := ctx.Err(); err != nil {
			return nil, "", err
		}
		files, err := os.ReadDir(filepath.Join(s.dir, uploadsDir, folder.Name()))
		if err != nil {
			return nil, "", err
		}
		for _, file := range files {
			path, ok := s.uploadPath(file.Name())
			if !ok || filepath.Base(filepath.Dir(path)) != folder.Name() || file.Name() <= last {
				continue
			}
			info, err := file.Info()
			if errors.Is(err, fs.ErrNotExist) {
				continue // removed since the folder was read
			}
			if err != nil {
				return nil, "", err
			}
			out = append(out, casework.StoredUpload{SHA256: file.Name(), Size: s.keys.uploadSize(info.Size()), PutAt: info.ModTime().UTC()})
		}
	}
	out = slices.Clip(out[:min(len(out), limit+1)])
	if err := ctx.Err(); err != nil {
		return nil, "", err
	}
	out, next := cut(out, paging.Uploads, limit, func(u casework.StoredUpload) string { return u.SHA256 })
	return out, next, nil
}

// DeleteUpload implements casework.Store.
func (s *Store) DeleteUpload(ctx context.Context, sha string, before time.Time) error {
	path, ok := s.uploadPath(sha)
	if !ok {
		return nil
	}
	s.files.Lock()
	defer s.files.Unlock()
	if err := ctx.Err(); err != nil {
		return err
	}
	info, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	if !info.ModTime().Before(before) {
		return nil
	}
	if err := os.Remove(path); err != nil {
		return err
	}
	return syncDir(filepath.Dir(path))
}
