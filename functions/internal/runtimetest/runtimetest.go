// Package runtimetest runs a function's own binary in a test, as the platform
// does: it serves the Lambda Runtime API on loopback, starts the binary and
// hands it events.
//
// The paths, headers and answers are those of the published "Lambda runtime
// API", version 2018-06-01 (from memory): next blocks until there is work, the
// first call of it ends the start, and response or error ends an invocation.
package runtimetest

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
)

// Function is a running function.
type Function struct {
	t       testing.TB
	name    string
	pid     int
	work    chan *invocation
	started chan struct{} // closed by the first call for work
	ended   chan struct{} // closed when the process has ended

	mu   sync.Mutex
	open map[string]*invocation
	n    int
	log  bytes.Buffer
}

type invocation struct {
	id       string
	event    []byte
	deadline time.Time
	answer   chan Answer
}

// Answer is what became of an invocation.
type Answer struct {
	Body []byte
	// Failed says that the function returned an error, which Body then holds.
	Failed bool
}

// Build builds the command in a folder, as it is deployed but for the
// processor, and returns the file.
func Build(t testing.TB, pkg string, env ...string) string {
	t.Helper()
	file := t.TempDir() + "/bootstrap"
	cmd := exec.Command("go", "build", "-tags", "lambda.norpc", "-trimpath", "-ldflags", "-s -w", "-o", file, pkg)
	cmd.Env = append(append(cmd.Environ(), "CGO_ENABLED=0"), env...)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("building %s: %v\n%s", pkg, err, out)
	}
	return file
}

// Start starts the binary and waits until it asks for its first event. It
// ends with the test.
func Start(t testing.TB, name, binary string, env []string) *Function {
	t.Helper()
	f := &Function{t: t, name: name, work: make(chan *invocation), started: make(chan struct{}), ended: make(chan struct{}), open: map[string]*invocation{}}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /2018-06-01/runtime/invocation/next", f.next)
	mux.HandleFunc("POST /2018-06-01/runtime/invocation/{id}/response", f.settle(false))
	mux.HandleFunc("POST /2018-06-01/runtime/invocation/{id}/error", f.settle(true))
	mux.HandleFunc("POST /2018-06-01/runtime/init/error", func(w http.ResponseWriter, r *http.Request) { w.WriteHeader(http.StatusAccepted) })
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	server := &http.Server{Handler: mux}
	go server.Serve(ln)
	// Nothing of this machine's own settings reaches the function.
	cmd := exec.Command(binary)
	cmd.Env = append([]string{"AWS_LAMBDA_RUNTIME_API=" + ln.Addr().String(), "AWS_LAMBDA_FUNCTION_NAME=" + name, "_HANDLER=bootstrap", "TMPDIR=" + t.TempDir()}, env...)
	cmd.Stdout, cmd.Stderr = (*logWriter)(f), (*logWriter)(f)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	f.pid = cmd.Process.Pid
	go func() {
		cmd.Wait()
		close(f.ended)
	}()
	t.Cleanup(func() {
		cmd.Process.Kill()
		<-f.ended
		server.Close()
	})
	select {
	case <-f.started:
	case <-f.ended:
	case <-time.After(time.Minute):
		t.Fatalf("%s asks for no event; its log:\n%s", name, f.Log())
	}
	return f
}

// Ended reports whether the process has ended.
func (f *Function) Ended() bool {
	select {
	case <-f.ended:
		return true
	default:
		return false
	}
}

// Used is how much of the processor the function has used, and the most memory
// that it held, in bytes; zero where the system does not tell (it is Linux that
// does, in /proc).
func (f *Function) Used() (cpu time.Duration, peak int64) {
	const ticks = 100 // a second, as every Linux tells them (proc_pid_stat(5), sysconf(3))
	stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", f.pid))
	if err != nil {
		return 0, 0
	}
	// The name of the program, which may hold blanks, ends with a bracket.
	fields := strings.Fields(string(stat[bytes.LastIndexByte(stat, ')')+1:]))
	if len(fields) > 12 {
		user, _ := strconv.ParseInt(fields[11], 10, 64)
		system, _ := strconv.ParseInt(fields[12], 10, 64)
		cpu = time.Duration(user+system) * time.Second / ticks
	}
	status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", f.pid))
	if err != nil {
		return cpu, 0
	}
	for line := range strings.Lines(string(status)) {
		if text, ok := strings.CutPrefix(line, "VmHWM:"); ok {
			fmt.Sscan(text, &peak)
		}
	}
	return cpu, peak << 10
}

// Log is all that the function wrote.
func (f *Function) Log() string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.log.String()
}

type logWriter Function

func (w *logWriter) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.log.Write(p)
}

func (f *Function) next(w http.ResponseWriter, r *http.Request) {
	select {
	case <-f.started:
	default:
		close(f.started)
	}
	select {
	case <-r.Context().Done():
	case in := <-f.work:
		f.mu.Lock()
		f.open[in.id] = in
		f.mu.Unlock()
		h := w.Header()
		h.Set("Lambda-Runtime-Aws-Request-Id", in.id)
		h.Set("Lambda-Runtime-Deadline-Ms", strconv.FormatInt(in.deadline.UnixMilli(), 10))
		h.Set("Lambda-Runtime-Invoked-Function-Arn", "arn:aws:lambda:us-east-1:123456789012:function:"+f.name)
		h.Set("Content-Type", "application/json")
		w.Write(in.event)
	}
}

func (f *Function) settle(failed bool) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		f.mu.Lock()
		in := f.open[r.PathValue("id")]
		delete(f.open, r.PathValue("id"))
		f.mu.Unlock()
		if in == nil || err != nil {
			w.WriteHeader(http.StatusBadRequest)
			return
		}
		w.WriteHeader(http.StatusAccepted)
		in.answer <- Answer{body, failed}
	}
}

// Invoke hands an event over, with so much time left, and waits for what
// becomes of it.
func (f *Function) Invoke(event any, left time.Duration) Answer {
	f.t.Helper()
	data, err := json.Marshal(event)
	if err != nil {
		f.t.Fatal(err)
	}
	f.mu.Lock()
	f.n++
	in := &invocation{id: fmt.Sprintf("%s-%d", f.name, f.n), event: data, deadline: time.Now().Add(left), answer: make(chan Answer, 1)}
	f.mu.Unlock()
	select {
	case f.work <- in:
	case <-f.ended:
		f.t.Fatalf("%s has ended; its log:\n%s", f.name, f.Log())
	}
	select {
	case a := <-in.answer:
		return a
	case <-f.ended:
		f.t.Fatalf("%s ended over an event; its log:\n%s", f.name, f.Log())
	case <-time.After(2 * time.Minute):
		f.t.Fatalf("%s does not settle an event; its log:\n%s", f.name, f.Log())
	}
	return Answer{}
}
