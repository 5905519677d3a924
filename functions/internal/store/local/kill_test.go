//go:build long

package local_test

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"

	"airwarrant/functions/internal/sealed"
	"airwarrant/functions/internal/store/local"
	"airwarrant/qualify/casework"
)

const (
	kills   = 30
	writers = 4
	killDir = "STORE_KILL_DIR"  // set: this process is the one to be killed
	killRun = "STORE_KILL_SEED" // tells its runs apart
	killKey = "STORE_KILL_KEY"  // file of the key of the store, empty for none
)

func TestMain(m *testing.M) {
	if dir := os.Getenv(killDir); dir != "" {
		work(dir, os.Getenv(killKey), os.Getenv(killRun))
		return
	}
	os.Exit(m.Run())
}

// work writes until it is killed, and prints a line for all that the store
// has acknowledged: "event CASE K HASH", "upload SHA256" or "value CASE REF".
func work(dir, keyFile, run string) {
	var key *sealed.Key
	var err error
	if keyFile != "" {
		key, err = sealed.ReadKeyFile(keyFile)
	}
	var s *local.Store
	if err == nil {
		s, err = local.OpenSealed(dir, key)
	}
	if err != nil {
		fmt.Println("fault", err)
		return
	}
	var seed [32]byte
	copy(seed[:], run)
	var mu sync.Mutex
	say := func(format string, args ...any) {
		mu.Lock()
		defer mu.Unlock()
		fmt.Printf(format+"\n", args...)
	}
	var wg sync.WaitGroup
	for w := range writers {
		seed[31] = byte(w)
		random := rand.NewChaCha8(seed)
		wg.Go(func() {
			if err := writeOn(s, random, say); err != nil {
				say("fault %v", err)
			}
		})
	}
	wg.Wait()
}

// writeOn works case after case.
func writeOn(s *local.Store, random *rand.ChaCha8, say func(string, ...any)) error {
	ctx := context.Background()
	for {
		number, err := casework.NewNumber(monday, random)
		if err != nil {
			return err
		}
		c, err := casework.Create(ctx, s, number, stamp, casework.Opened{Criteria: []string{"xx-example"}})
		if err != nil {
			return err
		}
		say("event %s %d %s", number, c.K, c.Hash)
		for i := range 6 {
			data := make([]byte, 1+random.Uint64()%60_000)
			random.Read(data)
			if err := s.PutUpload(ctx, hash(data), bytes.NewReader(data)); err != nil {
				return err
			}
			say("upload %s", hash(data))
			ref, err := c.Seal(ctx, s, random, fmt.Append(nil, "night ", i, ".csv"))
			if err != nil {
				return err
			}
			say("value %s %s", number, ref)
			for _, ch := range []casework.Change{
				casework.UploadAdded{SHA256: hash(data), Size: int64(len(data)), Name: ref},
				casework.FactsStated{Facts: map[string]casework.Stated{fmt.Sprint("fact-", i): {Fact: json.RawMessage("true")}}},
			} {
				if err := c.Append(ctx, s, stamp, ch); err != nil {
					return err
				}
				say("event %s %d %s", number, c.K, c.Hash)
			}
		}
	}
}

// A process that is killed at any moment has lost nothing that it had
// acknowledged, and what it leaves is sound (design section 9). The folder
// goes from one killed process to the next, so that each starts on what the
// one before left.
func TestLongKilled(t *testing.T) { killed(t, nil) }

// The same of a store that is encrypted.
func TestLongSealedKilled(t *testing.T) { killed(t, newKey(t)) }

func killed(t *testing.T, key *sealed.Key) {
	dir, keyFile := t.TempDir(), ""
	if key != nil {
		keyFile = key.File
	}
	r := rand.New(rand.NewPCG(7, 7))
	var said []string
	for n := range kills {
		cmd := exec.Command(os.Args[0])
		cmd.Env = append(os.Environ(), killDir+"="+dir, fmt.Sprintf("%s=%d", killRun, n), killKey+"="+keyFile)
		cmd.Stderr = os.Stderr
		out, err := cmd.StdoutPipe()
		must(t, err)
		must(t, cmd.Start())
		// Killed after so many acknowledgements, some in its very first ones,
		// and a moment more, so that the kill falls between two of them.
		in := bufio.NewReader(out)
		for range r.IntN(120) {
			line, err := in.ReadString('\n')
			if err != nil {
				t.Fatalf("run %d ended by itself: %v %q", n, err, line)
			}
			said = append(said, line)
		}
		time.Sleep(time.Duration(r.IntN(20_000)) * time.Microsecond)
		must(t, cmd.Process.Kill())
		rest, err := io.ReadAll(in)
		must(t, err)
		if err := cmd.Wait(); err == nil {
			t.Fatalf("run %d ended by itself", n)
		}
		lines := strings.SplitAfter(string(rest), "\n")
		said = append(said, lines[:len(lines)-1]...) // the last may be cut

		s, err := local.OpenSealed(dir, key)
		must(t, err)
		checkSaid(t, s, said)
		report := sound(t, s)
		t.Logf("run %d: %d acknowledged in all; %+v", n, len(said), *report)
		must(t, s.Close())
		if t.Failed() {
			t.Fatalf("after kill %d", n)
		}
	}
	if len(said) < 20*kills {
		t.Errorf("only %d acknowledgements: the runs were too short to show anything", len(said))
	}
}

func checkSaid(t *testing.T, s *local.Store, said []string) {
	t.Helper()
	cases := map[string][]casework.Event{}
	for _, line := range said {
		f := strings.Fields(line)
		switch {
		case len(f) == 4 && f[0] == "event":
			if cases[f[1]] == nil {
				events, err := s.Events(t.Context(), f[1], 1)
				must(t, err)
				cases[f[1]] = events
			}
			k := 0
			if _, err := fmt.Sscan(f[2], &k); err != nil || k > len(cases[f[1]]) || cases[f[1]][k-1].Hash != f[3] {
				t.Errorf("lost: %s", line)
			}
		case len(f) == 2 && f[0] == "upload":
			u, err := s.Upload(t.Context(), f[1])
			if err != nil {
				t.Errorf("lost: %s: %v", line, err)
				continue
			}
			data, err := io.ReadAll(u)
			u.Close()
			if err != nil || hash(data) != f[1] {
				t.Errorf("altered: %s: %v", line, err)
			}
		case len(f) == 3 && f[0] == "value":
			c := casework.Case{Number: f[1]}
			if value, err := c.Reveal(t.Context(), s, casework.Ref(f[2])); err != nil || !bytes.HasPrefix(value, []byte("night ")) {
				t.Errorf("lost: %s: %q, %v", line, value, err)
			}
		default:
			t.Fatalf("the killed process says %q", line)
		}
	}
}
