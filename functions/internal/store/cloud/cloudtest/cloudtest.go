// Package cloudtest starts what stands in for the services of package cloud
// in tests: a table service and an object service on loopback, as processes
// of their own, from what .ci/tools brings.
//
// Call Start once in a test, then Services.Store for each empty store. Both
// processes end with the test.
//
// What the stand-ins lack: the table service knows no time to live, no
// recovery and no encryption; the template says those, and its test checks
// them there.
package cloudtest

import (
	"bufio"
	"bytes"
	"context"
	"crypto/rand"
	"encoding/hex"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/aws/aws-sdk-go-v2/aws"
	"github.com/aws/aws-sdk-go-v2/credentials"
	"github.com/aws/aws-sdk-go-v2/service/dynamodb"
	"github.com/aws/aws-sdk-go-v2/service/s3"
	s3types "github.com/aws/aws-sdk-go-v2/service/s3/types"

	"airwarrant/functions/internal/store/cloud"
)

// The word by which clients of the stand-ins sign; they guard nothing.
const (
	access = "standin"
	secret = "standin-secret"
	region = "us-east-1"
)

// Services are the two stand-ins.
type Services struct {
	Tables, Objects string // addresses, http://127.0.0.1:PORT
}

// Start starts both and waits until they answer.
func Start(t testing.TB) *Services {
	t.Helper()
	build := filepath.Join(root(t), ".build")
	return &Services{Tables: startTables(t, build), Objects: startObjects(t, build)}
}

// root is the folder of go.mod.
func root(t testing.TB) string {
	t.Helper()
	out, err := exec.Command("go", "env", "GOMOD").Output()
	if err != nil {
		t.Fatalf("go env GOMOD: %v", err)
	}
	return filepath.Dir(string(bytes.TrimSpace(out)))
}

// tables starts the table service on a free port, tells the port, and ends
// with its standard input, in whatever way the test ends.
const tables = `
const server = require('dynalite')({createTableMs: 0, deleteTableMs: 0})
server.listen(0, '127.0.0.1', () => console.log(server.address().port))
process.stdin.on('end', () => process.exit()).resume()
`

func startTables(t testing.TB, build string) string {
	t.Helper()
	cmd := exec.Command("node", "-e", tables)
	cmd.Dir, cmd.Stderr = filepath.Join(build, "npm"), os.Stderr
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatalf("starting the table service: %v; run .ci/tools", err)
	}
	t.Cleanup(func() {
		in.Close()
		cmd.Wait()
	})
	line := bufio.NewScanner(out)
	if !line.Scan() {
		t.Fatal("the table service told no port; run .ci/tools")
	}
	return "http://127.0.0.1:" + line.Text()
}

func startObjects(t testing.TB, build string) string {
	t.Helper()
	found, err := filepath.Glob(filepath.Join(build, "bin", "versitygw-*"))
	if err != nil || len(found) == 0 {
		t.Fatalf("found no object service in %s (%v); run .ci/tools", build, err)
	}
	// It keeps what it knows of an object in attributes of its file, which a
	// file system in memory may lack.
	dir, err := os.MkdirTemp(build, "objects-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	for _, name := range []string{"now", "versions"} {
		if err := os.Mkdir(filepath.Join(dir, name), 0o700); err != nil {
			t.Fatal(err)
		}
	}
	free, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := free.Addr().String()
	free.Close()
	cmd := exec.Command(found[len(found)-1], "--port", addr, "--quiet", "posix", "--versioning-dir", filepath.Join(dir, "versions"), filepath.Join(dir, "now"))
	cmd.Env = append(os.Environ(), "ROOT_ACCESS_KEY="+access, "ROOT_SECRET_KEY="+secret)
	var said bytes.Buffer
	cmd.Stdout, cmd.Stderr = &said, &said
	if err := cmd.Start(); err != nil {
		t.Fatalf("starting the object service: %v; run .ci/tools", err)
	}
	ended := make(chan struct{})
	go func() {
		cmd.Wait()
		close(ended)
	}()
	t.Cleanup(func() {
		cmd.Process.Kill()
		<-ended
	})
	for range 200 {
		resp, err := http.Get("http://" + addr)
		if err == nil {
			resp.Body.Close()
			return "http://" + addr
		}
		select {
		case <-ended:
			t.Fatalf("the object service ended: %s", said.String())
		case <-time.After(50 * time.Millisecond):
		}
	}
	t.Fatalf("the object service does not answer: %s", said.String())
	return ""
}

// Env is the environment in which the clients of another process find the
// stand-ins.
func (v *Services) Env() []string {
	return []string{
		"AWS_REGION=" + region, "AWS_ACCESS_KEY_ID=" + access, "AWS_SECRET_ACCESS_KEY=" + secret, "AWS_SESSION_TOKEN=", "AWS_EC2_METADATA_DISABLED=true",
		"AWS_ENDPOINT_URL_DYNAMODB=" + v.Tables, "AWS_ENDPOINT_URL_S3=" + v.Objects,
	}
}

// Clients returns a client of each; transport is that of the table's, nil
// for the usual one.
func (v *Services) Clients(transport http.RoundTripper) (*dynamodb.Client, *s3.Client) {
	cfg := aws.Config{Region: region, Credentials: credentials.NewStaticCredentialsProvider(access, secret, "")}
	return dynamodb.NewFromConfig(cfg, func(o *dynamodb.Options) {
			o.BaseEndpoint = &v.Tables
			if transport != nil {
				o.HTTPClient = &http.Client{Transport: transport}
			}
		}), s3.NewFromConfig(cfg, func(o *s3.Options) {
			o.BaseEndpoint, o.UsePathStyle = &v.Objects, true
		})
}

// New makes a table and a versioned bucket, both empty, and returns what
// opens a store in them.
func (v *Services) New(t testing.TB) cloud.Settings {
	t.Helper()
	word := make([]byte, 8)
	if _, err := rand.Read(word); err != nil {
		t.Fatal(err)
	}
	name := "test-" + hex.EncodeToString(word)
	db, objects := v.Clients(nil)
	ctx := context.Background()
	if _, err := db.CreateTable(ctx, cloud.Table(name)); err != nil {
		t.Fatalf("making a table: %v", err)
	}
	if err := dynamodb.NewTableExistsWaiter(db, func(o *dynamodb.TableExistsWaiterOptions) { o.MinDelay = 10 * time.Millisecond }).
		Wait(ctx, &dynamodb.DescribeTableInput{TableName: &name}, time.Minute); err != nil {
		t.Fatalf("waiting for a table: %v", err)
	}
	if _, err := objects.CreateBucket(ctx, &s3.CreateBucketInput{Bucket: &name}); err != nil {
		t.Fatalf("making a bucket: %v", err)
	}
	if _, err := objects.PutBucketVersioning(ctx, &s3.PutBucketVersioningInput{Bucket: &name,
		VersioningConfiguration: &s3types.VersioningConfiguration{Status: s3types.BucketVersioningStatusEnabled}}); err != nil {
		t.Fatalf("keeping versions in a bucket: %v", err)
	}
	return cloud.Settings{Table: name, Bucket: name}
}

// Store returns an empty store.
func (v *Services) Store(t testing.TB) *cloud.Store {
	t.Helper()
	db, objects := v.Clients(nil)
	s, err := cloud.New(db, objects, v.New(t))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// String tells where the stand-ins answer.
func (v *Services) String() string {
	return fmt.Sprintf("tables at %s, objects at %s", v.Tables, v.Objects)
}
