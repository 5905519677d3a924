// Package local is the store of one machine: cases in SQLite, uploads as
// files, all in one folder.
//
//	DIR/cases/cases.db        events, heads, keys, personal values, anchors, notes, ledgers
//	DIR/cases/lock            held while a process uses the folder
//	DIR/cases/key             of an encrypted store: a salt, and a check of the key
//	DIR/uploads/aa/aabb…      uploads, named by their SHA-256
//	DIR/tmp/                  what is half written; emptied by Open
//
// Call Open, and Close at the end. What a method acknowledged is on the disk:
// the database writes ahead with every commit synchronised, and an upload is
// written aside, synchronised, and then named. Backup writes all of it as one
// tar file, Restore makes a folder of it again, VerifyAll checks everything.
//
// Open encrypts nothing but what casework sealed; OpenSealed encrypts the
// database and every upload by a key whose file is kept elsewhere. The database
// goes through the file layer vfs/xts of the SQLite library, which encrypts the
// write-ahead file too; uploads are streams of package sealed, also while they
// are half written. Names and lengths of uploads, and the index of the
// write-ahead file, which holds page numbers, stay open.
//
// What it does not do: XTS keeps a database from being read and not from being
// altered. That an alteration shows is the business of the chains; see
// VerifyAll. Without its key file a store cannot be read by anybody.
package local

import (
	"context"
	"database/sql"
	"embed"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"

	"github.com/ncruces/go-sqlite3"
	"github.com/ncruces/go-sqlite3/driver"

	"airwarrant/functions/internal/sealed"
	"airwarrant/functions/internal/store/paging"
	"airwarrant/qualify/casework"
)

//go:embed migrations/*.sql
var migrations embed.FS

// applicationID marks a database file as ours (SQLite, "PRAGMA
// application_id"): the letters "Airw".
const applicationID = 0x41697277

const (
	casesDir   = "cases"
	uploadsDir = "uploads"
	tmpDir     = "tmp"
	dbName     = "cases.db"
)

// Store is a casework.Store in one folder. It may be used from several
// goroutines, and from one process at a time.
type Store struct {
	dir  string
	keys *crypt // nil: not encrypted
	db   *sql.DB
	lock *sqlite3.Conn
	// keyOf and personalOf are the two reads of Key and Personal.
	keyOf, personalOf *sql.Stmt
	// files is held for writing by DeleteUpload, for reading by PutUpload and
	// Backup, so that neither loses a file on the way.
	files sync.RWMutex
}

var _ casework.Store = (*Store)(nil)

// Open opens the store in dir and makes what is missing. It removes half
// written files and brings the list of cases up to date, as a kill may have
// left them. The error says which file is at fault and what to do: when
// another process uses the folder, when the database is damaged, not ours, or
// of a later version of the program.
func Open(dir string) (*Store, error) { return OpenSealed(dir, nil) }

// OpenSealed is Open for a store that is encrypted by key; with nil it is Open.
// A store that is not there is made encrypted. A store is never opened with
// another key, without its key, or with a key that it does not have.
func OpenSealed(dir string, key *sealed.Key) (*Store, error) {
	dir, err := filepath.Abs(dir)
	if err != nil {
		return nil, err
	}
	if err := makeFolders(dir); err != nil {
		return nil, fmt.Errorf("data folder: %w", err)
	}
	s := &Store{dir: dir}
	if err := s.open(key); err != nil {
		return nil, errors.Join(err, s.Close())
	}
	return s, nil
}

func (s *Store) open(key *sealed.Key) error {
	var err error
	if s.lock, err = lockFolder(s.dir); err != nil {
		return err
	}
	if s.keys, err = unlock(s.dir, key); err != nil {
		return err
	}
	// The lock is ours, so nobody is writing what lies here.
	if err := emptyFolder(filepath.Join(s.dir, tmpDir)); err != nil {
		return fmt.Errorf("half written files: %w", err)
	}
	path := filepath.Join(s.dir, casesDir, dbName)
	if err := migrate(path, s.keys); err != nil {
		return err
	}
	if err := syncDir(filepath.Dir(path)); err != nil {
		return err
	}
	// secure_delete overwrites keys that are destroyed.
	dsn := s.keys.uri(path, "_pragma=busy_timeout(60000)", "_pragma=journal_mode(wal)", "_pragma=synchronous(full)", "_pragma=secure_delete(on)", "_pragma=temp_store(memory)", "_pragma=trusted_schema(off)")
	if s.db, err = driver.Open(dsn); err != nil {
		return s.dbError("opening", err)
	}
	// Each connection holds a page cache; writers wait for each other anyway.
	s.db.SetMaxOpenConns(4)
	// Read once for each of many cases: to parse them each time took as long as
	// to answer them.
	for _, x := range []struct {
		to        **sql.Stmt
		statement string
	}{
		{&s.keyOf, "SELECT case_key FROM case_keys WHERE case_id = ?"},
		{&s.personalOf, "SELECT sealed FROM personal WHERE case_id = ? AND id = ?"},
	} {
		if *x.to, err = s.db.Prepare(x.statement); err != nil {
			return s.dbError("opening", err)
		}
	}
	return s.catchUp(context.Background())
}

// Close ends the use of the folder.
func (s *Store) Close() error {
	var errs []error
	for _, stmt := range []*sql.Stmt{s.keyOf, s.personalOf} {
		if stmt != nil {
			errs = append(errs, stmt.Close())
		}
	}
	if s.db != nil {
		errs = append(errs, s.db.Close())
	}
	if s.lock != nil {
		errs = append(errs, s.lock.Close())
	}
	return errors.Join(errs...)
}

// lockFolder holds a lock of SQLite, which the system lets go when the
// process ends in whatever way.
func lockFolder(dir string) (*sqlite3.Conn, error) {
	path := filepath.Join(dir, casesDir, "lock")
	conn, err := sqlite3.Open(fileURI(path))
	if err == nil {
		if err = conn.BusyTimeout(0); err == nil {
			_, err = conn.BeginExclusive()
		}
		if err == nil {
			return conn, nil
		}
		err = errors.Join(err, conn.Close())
	}
	if errors.Is(err, sqlite3.BUSY) {
		return nil, fmt.Errorf("the data folder %s is in use by another process of this program; end that one, or give another folder with --data", dir)
	}
	return nil, fmt.Errorf("%s: the lock of the data folder cannot be taken: %w; if no process of this program runs, remove that file", path, err)
}

// migrate brings the tables up to date: the files in migrations in order, each
// in a transaction that also counts it in user_version.
func migrate(path string, keys *crypt) error {
	names, err := fs.Glob(migrations, "migrations/*.sql")
	if err != nil {
		return err
	}
	// SQLite would make the file readable by all.
	f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	conn, err := sqlite3.Open(keys.uri(path))
	if err != nil {
		return damaged(path, err)
	}
	defer conn.Close()
	version, err := pragma(conn, "user_version")
	if err != nil {
		return damaged(path, err)
	}
	id, err := pragma(conn, "application_id")
	if err != nil {
		return damaged(path, err)
	}
	tables, err := pragma(conn, "schema_version") // 0: a new file
	if err != nil {
		return damaged(path, err)
	}
	if tables != 0 && id != applicationID {
		return fmt.Errorf("%s: expected a database of this program (application_id %d), found another (%d); give another folder with --data", path, applicationID, id)
	}
	if version > len(names) {
		return fmt.Errorf("%s: expected tables of version %d at most, found %d; use the version of the program that wrote them or a later one", path, len(names), version)
	}
	for i := version; i < len(names); i++ {
		script, err := migrations.ReadFile(names[i])
		if err != nil {
			return err
		}
		err = conn.Exec(fmt.Sprintf("BEGIN IMMEDIATE;\n%s\nPRAGMA application_id = %d;\nPRAGMA user_version = %d;\nCOMMIT;", script, applicationID, i+1))
		if err != nil {
			return fmt.Errorf("%s: bringing the tables to version %d: %w; nothing was changed", path, i+1, err)
		}
	}
	return nil
}

// pragma reads a setting that is a whole number.
func pragma(conn *sqlite3.Conn, name string) (int, error) {
	stmt, _, err := conn.Prepare("PRAGMA " + name)
	if err != nil {
		return 0, err
	}
	n := 0
	for stmt.Step() {
		n = stmt.ColumnInt(0)
	}
	return n, stmt.Close()
}

// damaged words an error of the database file.
func damaged(path string, err error) error {
	if errors.Is(err, sqlite3.NOTADB) || errors.Is(err, sqlite3.CORRUPT) {
		return fmt.Errorf("%s: expected a sound SQLite database, found a damaged one (%w); keep a copy of the folder, then restore a backup into a new folder with: restore FILE --data DIR", path, err)
	}
	return fmt.Errorf("%s: %w", path, err)
}

// dbError words an error of a query. The context's own error stays.
func (s *Store) dbError(doing string, err error) error {
	if err == nil {
		return nil
	}
	if errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return err
	}
	return fmt.Errorf("%s: %w", doing, damaged(filepath.Join(s.dir, casesDir, dbName), err))
}

// catchUp rebuilds the heads that a kill left behind their chains.
func (s *Store) catchUp(ctx context.Context) error {
	// A line that knows more events than there are is left for an audit.
	ids, err := query(ctx, s, "looking for cases that the list lacks", scanString, `
		SELECT e.case_id FROM (SELECT case_id, max(k) AS k FROM events GROUP BY case_id) AS e
		LEFT JOIN heads AS h ON h.case_id = e.case_id
		WHERE h.k IS NULL OR h.k < e.k OR h.k = e.k AND h.form <> ? ORDER BY e.case_id`, casework.HeadForm)
	if err != nil {
		return err
	}
	for _, id := range ids {
		var broken *casework.ChainError
		// A broken chain is for an audit to tell; the other cases can be worked.
		if _, err := casework.RebuildHead(ctx, s, id); err != nil && !errors.As(err, &broken) {
			return err
		}
	}
	return nil
}

// PutEvent implements casework.Store.
func (s *Store) PutEvent(ctx context.Context, e casework.Event) error {
	data, err := json.Marshal(e)
	if err != nil {
		return fmt.Errorf("event %d of case %s: %w", e.K, e.Case, err)
	}
	return s.put(ctx, "storing an event", `
		INSERT INTO events (case_id, k, event) SELECT ?1, ?2, ?3
		WHERE ?2 = 1 OR EXISTS (SELECT 1 FROM events WHERE case_id = ?1 AND k = ?2 - 1)
		ON CONFLICT DO NOTHING`, e.Case, e.K, string(data))
}

// put runs a statement that puts one row, or none if that may not be.
func (s *Store) put(ctx context.Context, doing, statement string, args ...any) error {
	r, err := s.db.ExecContext(ctx, statement, args...)
	if err != nil {
		return s.dbError(doing, err)
	}
	n, err := r.RowsAffected()
	if err != nil {
		return s.dbError(doing, err)
	}
	if n == 0 {
		return casework.ErrConflict
	}
	return nil
}

// query returns all rows of a query.
func query[T any](ctx context.Context, s *Store, doing string, scan func(*sql.Rows) (T, error), statement string, args ...any) ([]T, error) {
	rows, err := s.db.QueryContext(ctx, statement, args...)
	if err != nil {
		return nil, s.dbError(doing, err)
	}
	defer rows.Close()
	var out []T
	for rows.Next() {
		v, err := scan(rows)
		if err != nil {
			return nil, s.dbError(doing, err)
		}
		out = append(out, v)
	}
	if err := rows.Err(); err != nil {
		return nil, s.dbError(doing, err)
	}
	return out, nil
}

func scanString(rows *sql.Rows) (string, error) {
	var v string
	return v, rows.Scan(&v)
}

func scanJSON[T any](rows *sql.Rows) (T, error) {
	var text string
	var v T
	if err := rows.Scan(&text); err != nil {
		return v, err
	}
	return v, json.Unmarshal([]byte(text), &v)
}

// Events implements casework.Store.
func (s *Store) Events(ctx context.Context, caseID string, from int) ([]casework.Event, error) {
	return query(ctx, s, "reading events", scanJSON[casework.Event],
		"SELECT event FROM events WHERE case_id = ? AND k >= ? ORDER BY k", caseID, from)
}

// cut returns the page out of up to limit+1 items, and its token.
func cut[T any](items []T, kind string, limit int, key func(T) string) ([]T, string) {
	if len(items) <= limit {
		return items, ""
	}
	return items[:limit], paging.Token(kind, key(items[limit-1]))
}

// Cases implements casework.Store.
func (s *Store) Cases(ctx context.Context, after string, limit int) ([]string, string, error) {
	last, err := paging.After(paging.Cases, after, limit)
	if err != nil {
		return nil, "", err
	}
	ids, err := query(ctx, s, "listing cases", scanString,
		"SELECT case_id FROM events WHERE k = 1 AND case_id > ? ORDER BY case_id LIMIT ?", last, limit+1)
	if err != nil {
		return nil, "", err
	}
	ids, next := cut(ids, paging.Cases, limit, func(id string) string { return id })
	return ids, next, nil
}

// PutHead implements casework.Store.
func (s *Store) PutHead(ctx context.Context, h casework.Head) error {
	data, err := json.Marshal(h)
	if err != nil {
		return fmt.Errorf("head of case %s: %w", h.Case, err)
	}
	err = s.put(ctx, "storing a head", `
		INSERT INTO heads (case_id, k, head, form, state, region, owner, by_opened, by_due, by_until) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
		ON CONFLICT (case_id) DO UPDATE SET k = excluded.k, head = excluded.head, form = excluded.form, state = excluded.state,
			region = excluded.region, owner = excluded.owner, by_opened = excluded.by_opened, by_due = excluded.by_due, by_until = excluded.by_until
		WHERE excluded.k >= heads.k`,
		h.Case, h.K, string(data), h.Form, string(h.State), h.Region(), h.Owner,
		casework.ByOpened.Key(h), casework.ByDue.Key(h), casework.ByUntil.Key(h))
	if errors.Is(err, casework.ErrConflict) {
		return nil // the stored head is of a later event
	}
	return err
}

// Heads implements casework.Store.
func (s *Store) Heads(ctx context.Context, after string, limit int) ([]casework.Head, string, error) {
	last, err := paging.After(paging.Heads, after, limit)
	if err != nil {
		return nil, "", err
	}
	heads, err := query(ctx, s, "listing heads", scanJSON[casework.Head],
		"SELECT head FROM heads WHERE case_id > ? ORDER BY case_id LIMIT ?", last, limit+1)
	if err != nil {
		return nil, "", err
	}
	heads, next := cut(heads, paging.Heads, limit, func(h casework.Head) string { return h.Case })
	return heads, next, nil
}

// orderColumns name the column that holds the key of each order.
var orderColumns = map[casework.Order]string{casework.ByOpened: "by_opened", casework.ByDue: "by_due", casework.ByUntil: "by_until"}

// List implements casework.Store.
func (s *Store) List(ctx context.Context, sel casework.Selection, after string, limit int) ([]casework.Head, string, error) {
	order := sel.Sorted()
	column, ok := orderColumns[order]
	if !ok {
		return nil, "", fmt.Errorf("expected one of the orders %q, found %q", casework.Orders(), order)
	}
	token := paging.List + column + " "
	last, err := paging.After(token, after, limit)
	if err != nil {
		return nil, "", err
	}
	key, id, ok := strings.Cut(last, "\x00")
	if after != "" && !ok {
		return nil, "", casework.ErrToken
	}
	where, args := fmt.Sprintf("(%s, case_id) > (?, ?)", column), []any{key, id}
	for _, f := range []struct {
		on     bool
		column string
		value  string
	}{{sel.State != "", "state", string(sel.State)}, {sel.Criteria != "", "region", sel.Criteria}, {sel.Owner != "" || sel.Unowned, "owner", sel.Owner}} {
		if f.on {
			where, args = where+" AND "+f.column+" = ?", append(args, f.value)
		}
	}
	for column, left := range map[string][]string{"region": sel.NotCriteria, "owner": sel.NotOwners} {
		for _, v := range left {
			where, args = where+" AND "+column+" <> ?", append(args, v)
		}
	}
	if day := sel.Bound(); day != "" {
		where, args = where+" AND "+column+" <= ?", append(args, day)
	}
	heads, err := query(ctx, s, "listing cases", scanJSON[casework.Head],
		"SELECT head FROM heads WHERE "+where+" ORDER BY "+column+", case_id LIMIT ?", append(args, limit+1)...)
	if err != nil {
		return nil, "", err
	}
	heads, next := cut(heads, token, limit, func(h casework.Head) string { return order.Key(h) + "\x00" + h.Case })
	return heads, next, nil
}

// PutKey implements casework.Store.
func (s *Store) PutKey(ctx context.Context, caseID string, key []byte) error {
	return s.put(ctx, "storing the key of a case",
		"INSERT INTO case_keys (case_id, case_key) VALUES (?, ?) ON CONFLICT DO NOTHING", caseID, key)
}

// Key implements casework.Store.
func (s *Store) Key(ctx context.Context, caseID string) ([]byte, error) {
	var key []byte
	err := s.keyOf.QueryRowContext(ctx, caseID).Scan(&key)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return nil, casework.ErrNotFound
	case err != nil:
		return nil, s.dbError("reading the key of a case", err)
	case key == nil:
		return nil, casework.ErrDestroyed
	}
	return key, nil
}

// PutPersonal implements casework.Store.
func (s *Store) PutPersonal(ctx context.Context, caseID, id string, sealed []byte) error {
	err := s.put(ctx, "storing a personal value",
		"INSERT INTO personal (case_id, id, sealed) VALUES (?, ?, ?) ON CONFLICT DO NOTHING", caseID, id, sealed)
	if errors.Is(err, casework.ErrConflict) {
		return nil // id is its hash, so what is there is the same
	}
	return err
}

// Personal implements casework.Store.
func (s *Store) Personal(ctx context.Context, caseID, id string) ([]byte, error) {
	var sealed []byte
	err := s.personalOf.QueryRowContext(ctx, caseID, id).Scan(&sealed)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, casework.ErrNotFound
	}
	if err != nil {
		return nil, s.dbError("reading a personal value", err)
	}
	return sealed, nil
}

// PersonalIDs implements casework.Store.
func (s *Store) PersonalIDs(ctx context.Context, caseID, after string, limit int) ([]string, string, error) {
	last, err := paging.After(paging.Values, after, limit)
	if err != nil {
		return nil, "", err
	}
	ids, err := query(ctx, s, "listing personal values", scanString,
		"SELECT id FROM personal WHERE case_id = ? AND id > ? ORDER BY id LIMIT ?", caseID, last, limit+1)
	if err != nil {
		return nil, "", err
	}
	ids, next := cut(ids, paging.Values, limit, func(id string) string { return id })
	return ids, next, nil
}

// DestroyPersonal implements casework.Store. The key is overwritten in the
// database, and the write-ahead file is emptied. Backups made before still
// hold it: they have to be destroyed too.
func (s *Store) DestroyPersonal(ctx context.Context, caseID string) error {
	const doing = "destroying personal values"
	tx, err := s.db.BeginTx(ctx, nil)
	if err != nil {
		return s.dbError(doing, err)
	}
	defer tx.Rollback() // without effect after Commit
	if _, err := tx.ExecContext(ctx, "INSERT INTO case_keys (case_id, case_key) VALUES (?, NULL) ON CONFLICT (case_id) DO UPDATE SET case_key = NULL", caseID); err != nil {
		return s.dbError(doing, err)
	}
	if _, err := tx.ExecContext(ctx, "DELETE FROM personal WHERE case_id = ?", caseID); err != nil {
		return s.dbError(doing, err)
	}
	if err := tx.Commit(); err != nil {
		return s.dbError(doing, err)
	}
	var busy, frames, done int
	if err := s.db.QueryRowContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)").Scan(&busy, &frames, &done); err != nil {
		return s.dbError(doing, err)
	}
	if busy != 0 {
		return fmt.Errorf("%s: a long reading, such as a backup, keeps a copy of the key in the write-ahead file; destroy them again when it has ended", doing)
	}
	return nil
}

// PutAnchor implements casework.Store.
func (s *Store) PutAnchor(ctx context.Context, a casework.Anchor) error {
	return s.put(ctx, "storing an anchor",
		"INSERT INTO anchors (day, hash) VALUES (?, ?) ON CONFLICT DO NOTHING", a.Day, a.Hash)
}

// Anchors implements casework.Store.
func (s *Store) Anchors(ctx context.Context, after string, limit int) ([]casework.Anchor, string, error) {
	last, err := paging.After(paging.Anchors, after, limit)
	if err != nil {
		return nil, "", err
	}
	anchors, err := query(ctx, s, "listing anchors", func(rows *sql.Rows) (casework.Anchor, error) {
		var a casework.Anchor
		return a, rows.Scan(&a.Day, &a.Hash)
	}, "SELECT day, hash FROM anchors WHERE day > ? ORDER BY day LIMIT ?", last, limit+1)
	if err != nil {
		return nil, "", err
	}
	anchors, next := cut(anchors, paging.Anchors, limit, func(a casework.Anchor) string { return a.Day })
	return anchors, next, nil
}

// PutNote implements casework.Store.
func (s *Store) PutNote(ctx context.Context, kind, key string, data []byte) error {
	return s.put(ctx, "storing a note",
		"INSERT INTO notes (kind, note_key, note) VALUES (?, ?, ?) ON CONFLICT (kind, note_key) DO UPDATE SET note = excluded.note", kind, key, append([]byte{}, data...)) // nil would be NULL
}

// SwapNote implements casework.Store.
func (s *Store) SwapNote(ctx context.Context, kind, key string, was, data []byte) error {
	data = append([]byte{}, data...) // nil would be NULL
	if was == nil {
		return s.put(ctx, "storing a note", "INSERT INTO notes (kind, note_key, note) VALUES (?, ?, ?) ON CONFLICT DO NOTHING", kind, key, data)
	}
	return s.put(ctx, "storing a note", "UPDATE notes SET note = ? WHERE kind = ? AND note_key = ? AND note = ?", data, kind, key, was)
}

// PutEntry implements casework.Store.
func (s *Store) PutEntry(ctx context.Context, e casework.Entry) error {
	data, err := json.Marshal(e)
	if err != nil {
		return fmt.Errorf("entry %d of ledger %s: %w", e.N, e.Ledger, err)
	}
	return s.put(ctx, "storing an entry", `
		INSERT INTO entries (ledger, n, entry) SELECT ?1, ?2, ?3
		WHERE ?2 = 1 OR EXISTS (SELECT 1 FROM entries WHERE ledger = ?1 AND n = ?2 - 1)
		ON CONFLICT DO NOTHING`, e.Ledger, e.N, string(data))
}

// Entries implements casework.Store.
func (s *Store) Entries(ctx context.Context, ledger string, from, limit int) ([]casework.Entry, error) {
	if limit < 1 {
		return nil, fmt.Errorf("expected 1 entry or more, found %d", limit)
	}
	return query(ctx, s, "reading entries", scanJSON[casework.Entry],
		"SELECT entry FROM entries WHERE ledger = ? AND n >= ? ORDER BY n LIMIT ?", ledger, from, limit)
}

// LastEntry implements casework.Store.
func (s *Store) LastEntry(ctx context.Context, ledger string) (casework.Entry, error) {
	found, err := query(ctx, s, "reading the last entry", scanJSON[casework.Entry],
		"SELECT entry FROM entries WHERE ledger = ? ORDER BY n DESC LIMIT 1", ledger)
	if err != nil {
		return casework.Entry{}, err
	}
	if len(found) == 0 {
		return casework.Entry{}, casework.ErrNotFound
	}
	return found[0], nil
}

// Ledgers implements casework.Store.
func (s *Store) Ledgers(ctx context.Context, after string, limit int) ([]string, string, error) {
	last, err := paging.After(paging.Ledgers, after, limit)
	if err != nil {
		return nil, "", err
	}
	names, err := query(ctx, s, "listing ledgers", scanString,
		"SELECT ledger FROM entries WHERE n = 1 AND ledger > ? ORDER BY ledger LIMIT ?", last, limit+1)
	if err != nil {
		return nil, "", err
	}
	names, next := cut(names, paging.Ledgers, limit, func(name string) string { return name })
	return names, next, nil
}

// Note implements casework.Store.
func (s *Store) Note(ctx context.Context, kind, key string) ([]byte, error) {
	var data []byte
	err := s.db.QueryRowContext(ctx, "SELECT note FROM notes WHERE kind = ? AND note_key = ?", kind, key).Scan(&data)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, casework.ErrNotFound
	}
	if err != nil {
		return nil, s.dbError("reading a note", err)
	}
	return data, nil
}

// DeleteNote implements casework.Store.
func (s *Store) DeleteNote(ctx context.Context, kind, key string) error {
	_, err := s.db.ExecContext(ctx, "DELETE FROM notes WHERE kind = ? AND note_key = ?", kind, key)
	return s.dbError("removing a note", err)
}

// Notes implements casework.Store.
func (s *Store) Notes(ctx context.Context, kind, after string, limit int) ([]casework.Note, string, error) {
	last, err := paging.After(paging.Notes, after, limit)
	if err != nil {
		return nil, "", err
	}
	notes, err := query(ctx, s, "listing notes", func(rows *sql.Rows) (casework.Note, error) {
		var n casework.Note
		return n, rows.Scan(&n.Key, &n.Data)
	}, "SELECT note_key, note FROM notes WHERE kind = ? AND note_key > ? ORDER BY note_key LIMIT ?", kind, last, limit+1)
	if err != nil {
		return nil, "", err
	}
	notes, next := cut(notes, paging.Notes, limit, func(n casework.Note) string { return n.Key })
	return notes, next, nil
}

// Inventory implements casework.Store.
func (s *Store) Inventory(ctx context.Context) (casework.Inventory, error) {
	var inv casework.Inventory
	var err error
	if inv.Keyed, err = query(ctx, s, "listing keys", scanString, "SELECT case_id FROM case_keys UNION SELECT case_id FROM personal ORDER BY case_id"); err != nil {
		return casework.Inventory{}, err
	}
	if inv.Kinds, err = query(ctx, s, "listing kinds of notes", scanString, "SELECT DISTINCT kind FROM notes ORDER BY kind"); err != nil {
		return casework.Inventory{}, err
	}
	return inv, nil
}

// VerifyAll checks the database file, as SQLite can, and then everything that
// it and the uploads hold, as casework.Audit does.
func (s *Store) VerifyAll(ctx context.Context) (*casework.Report, error) {
	const doing = "checking the database file"
	found, err := query(ctx, s, doing, scanString, "PRAGMA integrity_check")
	if err != nil {
		return nil, err
	}
	r, err := casework.Audit(ctx, s)
	if err != nil {
		return nil, err
	}
	if !slices.Equal(found, []string{"ok"}) {
		for _, what := range found {
			r.Faults = append(r.Faults, casework.Fault{Where: filepath.Join(casesDir, dbName), What: what})
		}
	}
	return r, nil
}

// fileURI names a file for SQLite, whatever letters are in its path.
func fileURI(path string) string {
	path = filepath.ToSlash(path)
	if !strings.HasPrefix(path, "/") { // a drive letter
		path = "/" + path
	}
	return (&url.URL{Scheme: "file", OmitHost: true, Path: path}).String()
}

// makeFolders makes what is missing of a data folder, durably, and lets
// nobody but its owner in.
func makeFolders(dir string) error {
	_, err := os.Stat(dir)
	made := errors.Is(err, fs.ErrNotExist)
	for _, name := range []string{casesDir, uploadsDir, tmpDir} {
		if err := os.MkdirAll(filepath.Join(dir, name), 0o700); err != nil {
			return err
		}
	}
	if made {
		if err := syncDir(filepath.Dir(dir)); err != nil {
			return err
		}
	}
	return syncDir(dir)
}

func emptyFolder(dir string) error {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return err
	}
	for _, e := range entries {
		if err := os.RemoveAll(filepath.Join(dir, e.Name())); err != nil {
			return err
		}
	}
	return nil
}

// syncDir makes the names in a folder durable.
func syncDir(dir string) error {
	if runtime.GOOS == "windows" {
		return nil // which cannot, and needs it not
	}
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
