package main

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"strings"
	"testing"
	"time"

	"airwarrant/functions/internal/store/local"
	"airwarrant/qualify/casework"
)

// What is personal in a case ends with its retention, and its upload; what is
// open, or was closed lately, stays, and every chain is still proved.
func TestRetentionOfALocalStore(t *testing.T) {
	dir := t.TempDir()
	store, err := local.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	ctx, day := t.Context(), 24*time.Hour
	now := time.Now().UTC().Add(10 * day) // uploads are put by the clock of the machine
	numbers, refs, uploads := map[string]string{}, map[string]casework.Ref{}, map[string]string{}
	for name, closed := range map[string]time.Duration{"long ago": 40 * day, "lately": 29 * day, "open": 0} {
		st := casework.Stamp{At: now.Add(-50 * day), By: "M. Reyes", Role: casework.RoleIntake}
		numbers[name] = must(casework.NewNumber(now, strings.NewReader(strings.Repeat(name, 8))))
		c := must(casework.Create(ctx, store, numbers[name], st, casework.Opened{Criteria: []string{"us-medicare"}}))
		refs[name] = must(c.Seal(ctx, store, strings.NewReader(strings.Repeat(name+"key", 32)), []byte("Invented Name")))
		uploads[name] = shaOf(name)
		err := errors.Join(c.Append(ctx, store, st, casework.PatientStated{Name: refs[name]}), store.PutUpload(ctx, uploads[name], strings.NewReader(name)),
			c.Append(ctx, store, st, casework.UploadAdded{SHA256: uploads[name], Size: int64(len(name))}))
		if st.At = now.Add(-closed); err == nil && closed > 0 {
			err = c.Append(ctx, store, st, casework.Closed{})
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	for i, want := range []int{1, 0} {
		destroyed, removed, err := tidy(ctx, store, now, 30*day)
		if err != nil || destroyed != want || removed != want {
			t.Errorf("run %d: %d cases destroyed, %d uploads removed, want %d each: %v", i, destroyed, removed, want, err)
		}
	}
	for name, number := range numbers {
		c := must(casework.Open(ctx, store, number))
		_, err := c.Reveal(ctx, store, refs[name])
		r, lost := store.Upload(ctx, uploads[name])
		if lost == nil {
			r.Close()
		}
		if gone := name == "long ago"; gone != errors.Is(err, casework.ErrDestroyed) || gone != errors.Is(lost, casework.ErrNotFound) {
			t.Errorf("%s: %v, its upload: %v", name, err, lost)
		}
	}
	if err := store.Close(); err != nil {
		t.Fatal(err)
	}
	if r := command(t, "", "audit", "verify", "--data", dir); r.code != 0 || !strings.Contains(r.out, ": 0 faults") {
		t.Errorf("exit %d\n%s%s", r.code, r.out, r.err)
	}
	for _, days := range []string{"-1", "36501", "ten"} {
		if r := command(t, "", "serve", "--retention", days, "--data", dir); r.code != 1 || r.out != "" {
			t.Errorf("--retention %s: exit %d", days, r.code)
		}
	}
}

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

func shaOf(s string) string {
	sum := sha256.Sum256([]byte(s))
	return hex.EncodeToString(sum[:])
}
