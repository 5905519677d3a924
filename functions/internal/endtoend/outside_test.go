//go:build outside

// Package endtoend runs the functions that are deployed, each its own binary,
// against a local Runtime API and stand-ins for table and bucket.
package endtoend

import (
	"archive/zip"
	"bytes"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"html"
	"image"
	"image/png"
	"io"
	"maps"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"os"
	"os/exec"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/aws/aws-lambda-go/events"

	"airwarrant/functions/internal/deployment"
	"airwarrant/functions/internal/runtimetest"
	"airwarrant/functions/internal/settings"
	"airwarrant/functions/internal/store/cloud"
	"airwarrant/functions/internal/store/cloud/cloudtest"
	"airwarrant/qualify/casework"
	"airwarrant/web/accounts"
)

const host = "oxygen.example.org"

// browser is a person's browser in front of the API.
type browser struct {
	t       *testing.T
	api     *runtimetest.Function
	cookies map[string]string
	n       int
	page    string
}

// event is an event of the HTTP API, payload format 2.0, in the shape that
// its description publishes (from memory).
func (b *browser) event(method, path, kind string, body []byte) map[string]any {
	b.n++
	path, query, _ := strings.Cut(path, "?")
	var cookies []string
	for k, v := range b.cookies {
		cookies = append(cookies, k+"="+v)
	}
	slices.Sort(cookies)
	return map[string]any{
		"version": "2.0", "routeKey": "$default", "rawPath": path, "rawQueryString": query, "cookies": cookies,
		"headers": map[string]string{"host": host, "content-type": kind, "sec-fetch-site": "same-origin", "x-forwarded-proto": "https"},
		"requestContext": map[string]any{"accountId": "123456789012", "apiId": "api", "domainName": host, "domainPrefix": "oxygen", "stage": "$default",
			"requestId": fmt.Sprint("request-", b.n), "routeKey": "$default", "time": "02/Mar/2026:09:30:00 +0000", "timeEpoch": 1772443800000,
			"http": map[string]string{"method": method, "path": path, "protocol": "HTTP/1.1", "sourceIp": "203.0.113.4", "userAgent": "test"}},
		"body": base64.StdEncoding.EncodeToString(body), "isBase64Encoded": true,
	}
}

func (b *browser) do(method, path, kind string, body []byte) (events.APIGatewayV2HTTPResponse, []byte) {
	b.t.Helper()
	a := b.api.Invoke(b.event(method, path, kind, body), time.Minute)
	if a.Failed {
		b.t.Fatalf("%s %s: %s", method, path, a.Body)
	}
	var r events.APIGatewayV2HTTPResponse
	if err := json.Unmarshal(a.Body, &r); err != nil {
		b.t.Fatal(err)
	}
	out := []byte(r.Body)
	if r.IsBase64Encoded {
		var err error
		if out, err = base64.StdEncoding.DecodeString(r.Body); err != nil {
			b.t.Fatal(err)
		}
	}
	for _, line := range r.Cookies {
		c, err := http.ParseSetCookie(line)
		if err != nil {
			b.t.Fatal(err)
		}
		if !c.Secure || !c.HttpOnly {
			b.t.Errorf("a cookie that is not for this site over TLS alone: %s", line)
		}
		b.cookies[c.Name] = c.Value
	}
	if strings.HasPrefix(r.Headers["Content-Type"], "text/html") {
		b.page = string(out)
	}
	return r, out
}

func (b *browser) get(path string) (events.APIGatewayV2HTTPResponse, []byte) {
	b.t.Helper()
	return b.do("GET", path, "", nil)
}

// open goes to a page, and on to where it sends the browser.
func (b *browser) open(path string) {
	b.t.Helper()
	for range 5 {
		r, _ := b.get(path)
		if r.StatusCode == http.StatusOK {
			return
		}
		if path = r.Headers["Location"]; path == "" {
			b.t.Fatalf("status %d: %s", r.StatusCode, words(b.page))
		}
	}
	b.t.Fatalf("sent on and on, at last to %s", path)
}

// post sends a form of the last page on and returns where the answer leads.
func (b *browser) post(path string, form url.Values) string {
	b.t.Helper()
	form.Set("form", b.field("form"))
	r, body := b.do("POST", path, "application/x-www-form-urlencoded", []byte(form.Encode()))
	if r.StatusCode != http.StatusSeeOther {
		b.t.Fatalf("POST %s: status %d: %s", path, r.StatusCode, words(string(body)))
	}
	return r.Headers["Location"]
}

var tags = regexp.MustCompile(`<[^>]*>|\s+`)

func words(page string) string {
	_, page, _ = strings.Cut(page, "<main")
	return strings.Join(strings.Fields(tags.ReplaceAllString(page, " ")), " ")
}

// field is the value of the first field of a name on the last page.
func (b *browser) field(name string) string {
	b.t.Helper()
	m := regexp.MustCompile(`name="` + name + `" value="([^"]*)"`).FindStringSubmatch(b.page)
	if m == nil {
		b.t.Fatalf("no field %s in %s", name, words(b.page))
	}
	return html.UnescapeString(m[1])
}

// multi writes a form of several parts, the file last.
func multi(t *testing.T, fields [][2]string, file string, data []byte) (string, []byte) {
	t.Helper()
	var body bytes.Buffer
	w := multipart.NewWriter(&body)
	for _, f := range fields {
		if err := w.WriteField(f[0], f[1]); err != nil {
			t.Fatal(err)
		}
	}
	if file != "" {
		part, err := w.CreateFormFile(file, "Marama Tidewell.csv")
		if err != nil {
			t.Fatal(err)
		}
		if _, err := part.Write(data); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return w.FormDataContentType(), body.Bytes()
}

// send goes from the case to the form of the bucket, fills it in as a browser
// does, and returns the key of the object and where the bucket sends on to.
func (b *browser) send(address string, data []byte) (key, back string) {
	b.t.Helper()
	b.open(address)
	return b.sendBy(address+"/recording", nil, data)
}

// sendBy is send by the form of the last page that goes to path, filled in.
func (b *browser) sendBy(path string, typed [][2]string, data []byte) (key, back string) {
	b.t.Helper()
	kind, body := multi(b.t, append([][2]string{{"form", b.field("form")}}, typed...), "", nil)
	r, out := b.do("POST", path, kind, body)
	if r.StatusCode != http.StatusOK {
		b.t.Fatalf("asking for a form: status %d: %s", r.StatusCode, words(string(out)))
	}
	form := regexp.MustCompile(`(?s)<form method="post" action="(http[^"]*)".*?</form>`).FindStringSubmatch(b.page)
	if form == nil {
		b.t.Fatalf("no form of the bucket in %s", words(b.page))
	}
	var fields [][2]string
	for _, m := range regexp.MustCompile(`name="([^"]*)" value="([^"]*)"`).FindAllStringSubmatch(form[0], -1) {
		fields = append(fields, [2]string{m[1], html.UnescapeString(m[2])})
		if m[1] == "key" {
			key = m[2]
		}
	}
	kind, body = multi(b.t, fields, "file", data)
	client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	resp, err := client.Post(html.UnescapeString(form[1]), kind, bytes.NewReader(body))
	if err != nil {
		b.t.Fatal(err)
	}
	said, err := io.ReadAll(resp.Body)
	resp.Body.Close()
	if err != nil || resp.StatusCode != http.StatusSeeOther {
		b.t.Fatalf("sending to the bucket: %s: %s %v", resp.Status, said, err)
	}
	return key, resp.Header.Get("Location")
}

// created is the event of an object that was created, as the object service
// publishes its shape (from memory); keys are escaped in it.
func created(bucket, key string, size int, at time.Time) map[string]any {
	return map[string]any{"Records": []any{map[string]any{
		"eventVersion": "2.1", "eventSource": "aws:s3", "awsRegion": "us-east-1", "eventTime": at.UTC().Format("2006-01-02T15:04:05.000Z"), "eventName": "ObjectCreated:Post",
		"s3": map[string]any{"s3SchemaVersion": "1.0", "configurationId": "arrivals", "bucket": map[string]any{"name": bucket, "arn": "arn:aws:s3:::" + bucket},
			"object": map[string]any{"key": url.QueryEscape(key), "size": size, "eTag": "0", "sequencer": "0"}},
	}}}
}

// lines are the lines of a function's log that are JSON of an own entry, or of
// figures.
func lines(t *testing.T, log string) (entries, figures []map[string]any) {
	t.Helper()
	for line := range strings.Lines(log) {
		var v map[string]any
		if err := json.Unmarshal([]byte(line), &v); err != nil {
			continue // of the runtime library itself
		}
		if _, ok := v["_aws"]; ok {
			figures = append(figures, v)
		} else if v["function"] != nil {
			entries = append(entries, v)
		}
	}
	return entries, figures
}

// watcher stands between a function and the services, and writes down what
// the function would need permissions for.
type watcher struct {
	mu   sync.Mutex
	done map[string]bool
	// calls counts them by action, written how many KB, begun ones whole, the
	// table was sent.
	calls   map[string]int
	written int
}

// since tells what was called after the last time, and begins anew.
func (w *watcher) since() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	var out []string
	for _, action := range slices.Sorted(maps.Keys(w.calls)) {
		out = append(out, fmt.Sprintf("%s %d", action, w.calls[action]))
	}
	text := fmt.Sprintf("%s; %d KB written to the table", strings.Join(out, ", "), w.written)
	w.calls, w.written = map[string]int{}, 0
	return text
}

// between returns services that pass everything on.
func (w *watcher) between(t *testing.T, v *cloudtest.Services) *cloudtest.Services {
	t.Helper()
	pass := func(to string, needs func(*http.Request) string) string {
		target, err := url.Parse(to)
		if err != nil {
			t.Fatal(err)
		}
		proxy := &httputil.ReverseProxy{Rewrite: func(r *httputil.ProxyRequest) {
			r.SetURL(target)
			r.Out.Host = r.In.Host // which is signed
		}}
		server := httptest.NewServer(http.HandlerFunc(func(rw http.ResponseWriter, r *http.Request) {
			need := needs(r)
			w.mu.Lock()
			w.done[need] = true
			action, _, _ := strings.Cut(need, " ")
			w.calls[action]++
			if action == "dynamodb:PutItem" {
				w.written += int(r.ContentLength+1023) / 1024
			}
			w.mu.Unlock()
			proxy.ServeHTTP(rw, r)
		}))
		t.Cleanup(server.Close)
		return server.URL
	}
	return &cloudtest.Services{Tables: pass(v.Tables, tableNeeds), Objects: pass(v.Objects, objectNeeds)}
}

// secrets stands in for the service of secrets, which keeps the settings of the
// sign-in provider.
func (w *watcher) secrets(t *testing.T) string {
	t.Helper()
	server := httptest.NewServer(http.HandlerFunc(func(rw http.ResponseWriter, r *http.Request) {
		_, call, _ := strings.Cut(r.Header.Get("X-Amz-Target"), ".")
		w.mu.Lock()
		w.done["secretsmanager:"+call+" ${SignIn}"] = true
		w.mu.Unlock()
		rw.Header().Set("Content-Type", "application/x-amz-json-1.1")
		json.NewEncoder(rw).Encode(map[string]string{"SecretString": `{"name": "the staff sign-in", "issuer": "https://id.example.org/pool", "client_id": "client", "client_secret": "secret", "address": "https://` + host + `", "groups_claim": "cognito:groups", "roles": {"intake": "intake"}}`})
	}))
	t.Cleanup(server.Close)
	return server.URL
}

// tableNeeds names the permission of a call of the table service: its actions
// have the names of its calls.
func tableNeeds(r *http.Request) string {
	body, err := io.ReadAll(r.Body)
	r.Body = io.NopCloser(bytes.NewReader(body))
	var in struct{ IndexName string }
	if err != nil || json.Unmarshal(body, &in) != nil {
		return "an unreadable call"
	}
	_, call, _ := strings.Cut(r.Header.Get("X-Amz-Target"), ".")
	on := "${Table.Arn}"
	if in.IndexName != "" {
		on += "/index/" + in.IndexName
	}
	return "dynamodb:" + call + " " + on
}

// objectNeeds names the permission of a call of the object service, by its
// published table of actions (from memory).
func objectNeeds(r *http.Request) string {
	bucket, key, _ := strings.Cut(strings.TrimPrefix(r.URL.Path, "/"), "/")
	const arn = "arn:${AWS::Partition}:s3:::${AWS::StackName}-${AWS::AccountId}"
	kind, _, _ := strings.Cut(key, "/")
	q := r.URL.Query()
	switch {
	case r.Method == "POST" && key == "": // a form, which is let into one folder
		return "s3:PutObject " + arn + "/arrivals/*"
	case r.Method == "GET" && key == "" && q.Has("versions"):
		return "s3:ListBucketVersions " + arn
	case r.Method == "GET" && key == "":
		return "s3:ListBucket " + arn
	case r.Method == "DELETE" && q.Has("versionId"):
		return "s3:DeleteObjectVersion " + arn + "/" + kind + "/*"
	}
	action, ok := map[string]string{"GET": "s3:GetObject", "PUT": "s3:PutObject", "DELETE": "s3:DeleteObject"}[r.Method]
	if !ok {
		return "an unknown call of " + bucket + ": " + r.Method
	}
	return action + " " + arn + "/" + kind + "/*"
}

// unseen are permissions that no call shows, each with why a function has it.
var unseen = map[string]string{
	"kms:Decrypt":          "table, bucket and secret decrypt in its name",
	"kms:GenerateDataKey":  "and encrypt",
	"logs:CreateLogStream": "the platform writes the log in its name",
	"logs:PutLogEvents":    "likewise",
	"sqs:SendMessage":      "the platform sends events that failed in its name",
	"api s3:PutObject arn:${AWS::Partition}:s3:::${AWS::StackName}-${AWS::AccountId}/uploads/*": "texts of criteria that a house publishes, and copies of their documents, which this run has none of",
	"s3:ListBucket": "without it an object that is not there looks like one that may not be read",
}

func TestOutsideEndToEnd(t *testing.T) {
	v := cloudtest.Start(t)
	set := v.New(t)
	db, objects := v.Clients(nil)
	store, err := cloud.New(db, objects, set)
	if err != nil {
		t.Fatal(err)
	}
	ctx := t.Context()
	book := accounts.New(store, time.Now, rand.Reader)
	_, password, err := book.Make(ctx, casework.Stamp{At: time.Now(), By: "the command line", Role: casework.RoleSystem}, "T. Vane", []casework.Role{casework.RoleIntake, casework.RoleAdministrator}, "")
	if err != nil {
		t.Fatal(err)
	}
	template, err := deployment.Load("../../../template.yaml")
	if err != nil {
		t.Fatal(err)
	}
	watchers := map[string]*watcher{}
	env := []string{settings.Table + "=" + set.Table, settings.Bucket + "=" + set.Bucket, settings.Host + "=" + host, settings.Provider + "=", settings.Region + "=us-medicare", settings.Retention + "=3650"}
	start := func(name string) *runtimetest.Function {
		t.Helper()
		began := time.Now()
		binary := runtimetest.Build(t, "airwarrant/functions/"+name)
		info, err := os.Stat(binary)
		if err != nil {
			t.Fatal(err)
		}
		built := time.Now()
		watchers[name] = &watcher{done: map[string]bool{}, calls: map[string]int{}}
		own := env
		if name == "api" {
			own = append(slices.Clone(env), settings.Provider+"=sign-in", "AWS_ENDPOINT_URL_SECRETS_MANAGER="+watchers[name].secrets(t))
		}
		f := runtimetest.Start(t, name, binary, append(watchers[name].between(t, v).Env(), own...))
		if f.Ended() {
			t.Fatalf("%s does not start:\n%s", name, f.Log())
		}
		t.Logf("%s: %.1f MB stripped, built in %.0f s, asks for its first event after %d ms", name, float64(info.Size())/1e6, built.Sub(began).Seconds(), time.Since(built).Milliseconds())
		return f
	}
	used := map[string]time.Duration{}
	// tell logs what was used since the last time, for the reckoning in
	// DEVELOPERS.md.
	tell := func(what, name string, f *runtimetest.Function) {
		cpu, peak := f.Used()
		t.Logf("%s, %s: %d ms of the processor, %d MiB at most so far, %s", what, name, (cpu - used[name]).Milliseconds(), peak>>20, watchers[name].since())
		used[name] = cpu
	}
	api := start("api")
	tell("start", "api", api)
	b := &browser{t: t, api: api, cookies: map[string]string{}}

	// Before anybody signs in. The provider of the secret is offered.
	b.open("/")
	if !strings.Contains(words(b.page), "the staff sign-in") {
		t.Errorf("no provider on %s", words(b.page))
	}
	if r, body := b.get("/healthz"); r.StatusCode != http.StatusOK || !strings.Contains(string(body), `"status":"ok"`) || len(r.Cookies) != 0 {
		t.Errorf("healthz: %d %s, %v", r.StatusCode, body, r.Cookies)
	}

	// Signing in, with the first password and then an own one.
	b.open("/")
	b.open(b.post("/sign-in", url.Values{"name": {"T. Vane"}, "password": {password}}))
	const own = "a long sentence for a door"
	b.open(b.post("/password", url.Values{"old": {password}, "new": {own}, "again": {own}}))
	b.post("/desk", url.Values{"desk": {"intake"}})

	tell("signing in", "api", api)
	n := b.n
	// A case, up to the file.
	b.open("/cases/new")
	address := b.post("/cases/new", url.Values{"payer": {"us-medicare"}, "name": {"Marama Tidewell"}, "birth": {"1950-03-04"}, "identifier": {"HV-77"}})
	b.open(address)
	number := strings.TrimPrefix(address, "/cases/")
	b.post(address+"/custody", url.Values{"k": {b.field("k")}, "v.test_date": {"2026-02-10"}, "v.test_state": {"asleep"}, "v.test_place": {"home"}, "v.test_performed_by": {"idtf"},
		"v.supplier_part": {"delivered_unit"}, "v.custody": {"order_on_file"}})

	// The file goes to the bucket, and its event to the function that reads it.
	var night strings.Builder
	night.WriteString("Time,SpO2,Pulse\n")
	for i := range 5400 {
		spo2 := 93 - i%3
		if i > 1000 && i < 1200 {
			spo2 = 86
		}
		fmt.Fprintf(&night, "%s,%d,%d\n", time.Date(2026, 2, 10, 22, 30, 0, 0, time.UTC).Add(time.Duration(4*i)*time.Second).Format("2006-01-02 15:04:05"), spo2, 60+i%7)
	}
	key, back := b.send(address, []byte(night.String()))
	if !strings.HasPrefix(back, "https://"+host+address+"/arrivals/") {
		t.Fatalf("the bucket sends on to %s", back)
	}
	waiting, _, _ := strings.Cut(strings.TrimPrefix(back, "https://"+host), "?")
	if r, _ := b.get(waiting); r.Headers["Refresh"] != "2" {
		t.Errorf("before the event: %d %v", r.StatusCode, r.Headers)
	}
	analyze := start("analyze")
	tell("start", "analyze", analyze)
	for i, at := range []time.Time{time.Now(), time.Now().Add(-time.Minute)} { // twice, the second out of order
		if a := analyze.Invoke(created(set.Bucket, key, night.Len(), at), time.Minute); a.Failed {
			t.Fatalf("event %d: %s", i, a.Body)
		}
	}
	tell("one recording, and its event again", "analyze", analyze)
	if r, _ := b.get(waiting); r.StatusCode != http.StatusSeeOther || r.Headers["Location"] != address+"#recording" {
		t.Errorf("after the event: %d to %s", r.StatusCode, r.Headers["Location"])
	}
	b.open(address)
	b.post(address+"/facts", url.Values{"k": {b.field("k")}, "part": {"questions"}, "v.test_oxygen": {"room_air"}, "v.order_date": {"2026-02-02"}, "v.ordered_by_treating_practitioner": {"true"},
		"v.evaluated_by_treating_practitioner": {"true"}, "v.expected_benefit": {"true"}, "v.sleep_apnea": {"false"}, "v.inpatient": {"false"},
		"v.awake_spo2": {"92"}, "d.awake_spo2": {"visit note"}, "t.awake_spo2": {"2026-02-13"}, "p.awake_spo2": {"2"}, "b.awake_spo2": {"R. Quill, RN"}})

	// 199 readings of 86 % at 4 s: 796 s at or below 88 %.
	_, sheet := b.get(address + "/worksheet.json")
	var read struct {
		Analysis struct {
			AtOrBelow map[string]struct{ S float64 } `json:"at_or_below"`
		}
		Determinations []struct{ Outcome string }
	}
	if err := json.Unmarshal(sheet, &read); err != nil || read.Analysis.AtOrBelow["88"].S != 796 || len(read.Determinations) != 1 || read.Determinations[0].Outcome != "qualifies" {
		t.Errorf("worksheet %+v, %v", read, err)
	}
	r, pdf := b.get(address + "/worksheet.pdf")
	if r.Headers["Content-Type"] != "application/pdf" || !r.IsBase64Encoded {
		t.Errorf("paper: %v, encoded %t", r.Headers, r.IsBase64Encoded)
	}
	paper := exec.Command("pdftotext", "-", "-") // Debian, poppler-utils
	paper.Stdin = bytes.NewReader(pdf)
	if text, err := paper.Output(); err != nil || !strings.Contains(string(text), "Marama Tidewell") || !strings.Contains(string(text), number) {
		t.Errorf("paper: %v: %.300s", err, text)
	}

	tell(fmt.Sprintf("one case, %d requests", b.n-n), "api", api)

	// A document that no request of the API could carry, and a folder of
	// recordings, go the same way.
	noise := image.NewNRGBA(image.Rect(0, 0, 1700, 1300))
	if _, err := rand.Read(noise.Pix); err != nil {
		t.Fatal(err)
	}
	var picture bytes.Buffer
	if err := png.Encode(&picture, noise); err != nil {
		t.Fatal(err)
	}
	if picture.Len() < 6_000_000 {
		t.Fatalf("a picture of %d bytes would fit into a request", picture.Len())
	}
	b.open(address + "/papers")
	order, back := b.sendBy(address+"/papers", [][2]string{{"kind", "order"}, {"name", "Marama Tidewell"}, {"date", "2026-02-02"}}, picture.Bytes())
	if a := analyze.Invoke(created(set.Bucket, order, picture.Len(), time.Now()), time.Minute); a.Failed {
		t.Fatalf("a paper: %s", a.Body)
	}
	page, _, _ := strings.Cut(strings.TrimPrefix(back, "https://"+host), "?")
	b.open(page)
	if !strings.Contains(b.page, fmt.Sprintf("%.1f MiB", float64(picture.Len())/(1<<20))) {
		t.Errorf("the paper is not on its page: %s", words(b.page))
	}
	var folder bytes.Buffer
	zipper := zip.NewWriter(&folder)
	for i := range 60 {
		w, err := zipper.CreateHeader(&zip.FileHeader{Name: fmt.Sprintf("nights/%02d.csv", i), Method: zip.Store}) // packed it would be small
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprint(w, night.String())
	}
	if err := zipper.Close(); err != nil {
		t.Fatal(err)
	}
	if folder.Len() < 6_000_000 {
		t.Fatalf("a folder of %d bytes would fit into a request", folder.Len())
	}
	b.open("/batch")
	stated := [][2]string{{"payer", "us-medicare"}, {"v.test_state", "asleep"}, {"v.test_place", "home"}, {"v.test_performed_by", "idtf"}, {"v.supplier_part", "delivered_unit"}, {"v.custody", "order_on_file"}}
	many, back := b.sendBy("/batch/files", stated, folder.Bytes())
	began := time.Now()
	if a := analyze.Invoke(created(set.Bucket, many, folder.Len(), time.Now()), 2*time.Minute); a.Failed {
		t.Fatalf("a folder: %s", a.Body)
	}
	t.Logf("60 nights in one zip: %d ms", time.Since(began).Milliseconds())
	page, _, _ = strings.Cut(strings.TrimPrefix(back, "https://"+host), "?")
	b.open(page)
	if !strings.Contains(words(b.page), "60 files read") || !strings.Contains(b.page, "nights/59.csv") {
		t.Errorf("the lines of the folder: %s", words(b.page))
	}

	tell("a picture of 6 MB and a folder of 60 nights", "analyze", analyze)

	// A file that cannot be read is told on the page.
	b.open("/cases/new")
	other := b.post("/cases/new", url.Values{"payer": {"us-medicare"}, "name": {"Ada Merrin"}, "birth": {"1951-05-04"}, "identifier": {""}})
	b.open(other)
	b.post(other+"/custody", url.Values{"k": {b.field("k")}, "v.test_date": {"2026-02-10"}, "v.test_state": {"asleep"}, "v.test_place": {"home"}, "v.test_performed_by": {"idtf"},
		"v.supplier_part": {"delivered_unit"}, "v.custody": {"order_on_file"}})
	wrong, _ := b.send(other, []byte("\x00\x01 no recording"))
	if a := analyze.Invoke(created(set.Bucket, wrong, 15, time.Now()), time.Minute); a.Failed {
		t.Errorf("a file that cannot be read: %s", a.Body)
	}
	b.open(other)
	if !strings.Contains(b.page, "was not taken:") {
		t.Errorf("the page tells nothing of the file: %s", words(b.page))
	}
	// An object that is nobody's arrival fails its event, and the function goes on.
	if a := analyze.Invoke(created(set.Bucket, "elsewhere/x", 1, time.Now()), time.Minute); !a.Failed || analyze.Ended() {
		t.Errorf("an object elsewhere: %+v, ended %t", a, analyze.Ended())
	}
	// One whose object is gone fails too, and is tried again.
	gone, _ := b.send(other, []byte("x"))
	if err := store.DropArrival(ctx, strings.TrimPrefix(gone, cloud.ArrivalsPrefix)); err != nil {
		t.Fatal(err)
	}
	if a := analyze.Invoke(created(set.Bucket, gone, 1, time.Now()), time.Minute); !a.Failed || strings.Contains(string(a.Body), set.Bucket) {
		t.Errorf("an object that is gone: %+v", a)
	}

	// Each list of cases has an index.
	for _, query := range []string{"", "order=due", "order=until", "whose=nobody", "whose=nobody&order=due", "whose=nobody&order=until", "whose=nobody&state=closed", "by=state", "by=owner", "by=payer", "by=payer&order=due", "payer=us-medicare&order=until"} {
		b.open("/cases?" + query)
	}

	// With no time left the browser is told, not cut off.
	a := api.Invoke(b.event("GET", "/cases", "", nil), 300*time.Millisecond)
	var late events.APIGatewayV2HTTPResponse
	if err := json.Unmarshal(a.Body, &late); err != nil || a.Failed || late.StatusCode != http.StatusServiceUnavailable {
		t.Errorf("at the deadline: %s, %v", a.Body, err)
	}
	if r, _ := b.get("/cases"); r.StatusCode != http.StatusOK {
		t.Errorf("after the deadline of another: %d", r.StatusCode)
	}

	// The day's work: the case closes, and its retention ends.
	b.open(other)
	b.post(other+"/close", url.Values{"k": {b.field("k")}, "reason": {"no test came"}})
	sweep := start("sweep")
	abandoned := sha256.Sum256([]byte("abandoned"))
	nobodys := hex.EncodeToString(abandoned[:])
	if err := store.PutUpload(ctx, nobodys, strings.NewReader("abandoned")); err != nil {
		t.Fatal(err)
	}
	day := time.Now().AddDate(11, 0, 0).UTC()
	for i := range 2 {
		if a := sweep.Invoke(map[string]any{"version": "0", "id": fmt.Sprint("day-", i), "detail-type": "Scheduled Event", "source": "aws.events",
			"account": "123456789012", "time": day.Format(time.RFC3339), "region": "us-east-1", "resources": []string{"arn:aws:events:us-east-1:123456789012:rule/daily"}, "detail": map[string]any{}}, time.Minute); a.Failed {
			t.Fatalf("sweep: %s", a.Body)
		}
	}
	if a := sweep.Invoke(map[string]any{}, time.Minute); !a.Failed {
		t.Error("an event that is no schedule's was carried out")
	}
	tell("two days", "sweep", sweep)
	if _, err := store.Upload(ctx, nobodys); !errors.Is(err, casework.ErrNotFound) {
		t.Errorf("an upload that nobody needs, after the day: %v", err)
	}
	report, err := casework.Audit(ctx, store)
	if err != nil || len(report.Faults) != 0 || report.Cases != 2 || report.Destroyed != 1 || report.Anchors != 1 {
		t.Errorf("audit %+v, %v", report, err)
	}

	// The template lets each function do what it did.
	for name, w := range watchers {
		may, err := template.May(name)
		if err != nil {
			t.Fatal(err)
		}
		for need := range w.done {
			if !slices.Contains(may, need) {
				t.Errorf("%s needs %s, and may not", name, need)
			}
		}
		// And it lets none do what it never does.
		for _, m := range may {
			action, _, _ := strings.Cut(m, " ")
			_, known := unseen[action]
			if _, ours := unseen[name+" "+m]; !known && !ours && !w.done[m] {
				t.Errorf("%s may %s, and was not seen to need it", name, m)
			}
		}
	}

	// What the functions wrote: entries with the id that follows a file, figures,
	// and nothing of anybody.
	for name, f := range map[string]*runtimetest.Function{"api": api, "analyze": analyze, "sweep": sweep} {
		log := f.Log()
		t.Logf("log of %s:\n%s", name, log)
		for _, word := range []string{"Marama", "Tidewell", "Merrin", "HV-77", "1950-03", number, password, own} {
			if strings.Contains(log, word) {
				t.Errorf("the log of %s holds %q", name, word)
			}
		}
	}
	made, latencies := lines(t, api.Log())
	entries, figures := lines(t, analyze.Log())
	ticket := strings.TrimPrefix(key, cloud.ArrivalsPrefix)
	// The request that made the ticket is named in the log of both.
	var request any
	for _, e := range made {
		if e["ticket"] == ticket {
			request = e["request"]
		}
	}
	var states []string
	for _, e := range entries {
		if e["ticket"] == ticket {
			states = append(states, fmt.Sprint(e["state"]))
			if request == nil || e["request"] != request {
				t.Errorf("the ticket was made by request %v, analyze tells %v", request, e["request"])
			}
		}
	}
	classes := map[any]bool{}
	determined := 0
	for _, f := range latencies {
		if f["Latency"] != nil {
			classes[f["Class"]] = true
		}
		if f["Outcome"] == "qualifies" {
			determined++
		}
	}
	if !classes["2xx"] || !classes["3xx"] || !classes["5xx"] || determined == 0 {
		t.Errorf("figures of api: classes %v, %d that qualify", classes, determined)
	}
	swept, _ := lines(t, sweep.Log())
	if len(swept) == 0 || swept[0]["request"] != "day-0" {
		t.Errorf("sweep tells %v", swept)
	}
	if !slices.Equal(states, []string{"kept", "again"}) {
		t.Errorf("states of the file in the log: %q", states)
	}
	counted := map[string]int{}
	for _, f := range figures {
		for _, by := range []string{"State", "Reason", "Outcome"} {
			if f[by] != nil {
				counted[fmt.Sprint(by, " ", f[by])]++
			}
		}
	}
	if counted["State kept"] != 3 || counted["State again"] != 1 || counted["State refused"] != 1 || counted["Reason unread"] != 1 || counted["Outcome undetermined"] != 1 {
		t.Errorf("figures %v", counted)
	}
}

// A function that is not told what it needs says what, and ends.
func TestOutsideNotTold(t *testing.T) {
	for name, names := range settings.Names {
		f := runtimetest.Start(t, name, runtimetest.Build(t, "airwarrant/functions/"+name), nil)
		if !f.Ended() {
			t.Errorf("%s starts without its settings", name)
		}
		for _, n := range names {
			if n != settings.Provider && n != settings.Region && !strings.Contains(f.Log(), n+": expected a value") {
				t.Errorf("%s does not say that %s is missing:\n%s", name, n, f.Log())
			}
		}
	}
}
