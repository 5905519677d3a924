package gateway

import (
	"bytes"
	"context"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/aws/aws-lambda-go/events"

	"airwarrant/web"
)

// event is an event as the API sends it: member names and shape from its
// published description, "Working with AWS Lambda proxy integrations for HTTP
// APIs", payload format version 2.0 (from memory).
const event = `{
  "version": "2.0", "routeKey": "$default", "rawPath": %q, "rawQueryString": %q,
  "cookies": ["one=1", "two=b=2"],
  "headers": {"accept": "text/html,*/*", "content-type": "application/x-www-form-urlencoded", "host": "forged.example.org", "x-forwarded-for": "198.51.100.7, 203.0.113.4"},
  "requestContext": {"accountId": "123456789012", "apiId": "api-id", "domainName": "oxygen.example.org", "domainPrefix": "oxygen",
    "http": {"method": %q, "path": "/", "protocol": "HTTP/1.1", "sourceIp": "203.0.113.4", "userAgent": "agent"},
    "requestId": "id-1", "routeKey": "$default", "stage": %q, "time": "02/Mar/2026:09:30:00 +0000", "timeEpoch": 1772443800000},
  "body": %q, "isBase64Encoded": %t}`

func parse(t *testing.T, path, query, method, stage, body string, encoded bool) events.APIGatewayV2HTTPRequest {
	t.Helper()
	var e events.APIGatewayV2HTTPRequest
	if err := json.Unmarshal(fmt.Appendf(nil, event, path, query, method, stage, body, encoded), &e); err != nil {
		t.Fatal(err)
	}
	return e
}

func quiet() *slog.Logger { return slog.New(slog.DiscardHandler) }

func call(t *testing.T, h http.Handler, e events.APIGatewayV2HTTPRequest) events.APIGatewayV2HTTPResponse {
	t.Helper()
	out, err := Handler(h, quiet(), io.Discard)(t.Context(), e)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// A handler sees what it would see behind the server of net/http.
func TestRequest(t *testing.T) {
	type seen struct {
		Method, Path, Escaped, Query, Body, One, Two, Wild string
		Values                                             []string
		Length                                             int64
	}
	mux := http.NewServeMux()
	mux.HandleFunc("/cases/{wild...}", func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		if err != nil {
			t.Error(err)
		}
		v := seen{Method: r.Method, Path: r.URL.Path, Escaped: r.URL.EscapedPath(), Query: r.URL.RawQuery, Values: r.URL.Query()["a"],
			Body: string(body), Length: r.ContentLength, Wild: r.PathValue("wild")}
		for name, to := range map[string]*string{"one": &v.One, "two": &v.Two} {
			if c, err := r.Cookie(name); err == nil {
				*to = c.Value
			}
		}
		json.NewEncoder(w).Encode(v)
	})
	server := httptest.NewServer(mux)
	defer server.Close()
	for _, tt := range []struct {
		method, path, query, body string
	}{
		{"GET", "/cases/2603-7KQ4X2", "", ""},
		{"GET", "/cases/a%2Fb/c%20d", "a=1&a=2&b=%C3%A9+x", ""},
		{"POST", "/cases/ä", "a=", "name=Invented+Name&x=%00"},
		{"PUT", "/cases/", "", "\x00\xff\xfe binary"},
		{"HEAD", "/cases/x", "", ""},
	} {
		e := parse(t, tt.path, tt.query, tt.method, "$default", base64.StdEncoding.EncodeToString([]byte(tt.body)), true)
		got := call(t, mux, e)
		r, err := http.NewRequest(tt.method, server.URL+tt.path+"?"+tt.query, strings.NewReader(tt.body))
		if err != nil {
			t.Fatal(err)
		}
		r.URL.RawQuery = tt.query
		r.Header.Set("Cookie", "one=1; two=b=2")
		want, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		body, err := io.ReadAll(want.Body)
		want.Body.Close()
		if err != nil {
			t.Fatal(err)
		}
		if got.StatusCode != want.StatusCode || got.Body != string(body) || got.IsBase64Encoded {
			t.Errorf("%s %s: through the API %d %q, through a server %d %q", tt.method, tt.path, got.StatusCode, got.Body, want.StatusCode, body)
		}
		if got.Headers["Content-Type"] != want.Header.Get("Content-Type") {
			t.Errorf("%s %s: content type %q, through a server %q", tt.method, tt.path, got.Headers["Content-Type"], want.Header.Get("Content-Type"))
		}
	}
}

// Who asks, and under which name, is what the API says, not what the request
// says.
func TestWhere(t *testing.T) {
	h := http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		fmt.Fprint(w, r.Host, " ", r.RemoteAddr, " ", r.TLS != nil, " ", web.RequestID(r.Context()), " ", r.Header.Get("Host"))
	})
	e := parse(t, "/", "", "GET", "$default", "plain", false)
	if got := call(t, h, e); got.Body != "oxygen.example.org 203.0.113.4:0 true id-1 " {
		t.Errorf("%q", got.Body)
	}
}

// A named stage stands before every path, and before no other.
func TestStage(t *testing.T) {
	h := http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Location", r.URL.Query().Get("to"))
		w.WriteHeader(http.StatusSeeOther)
		fmt.Fprint(w, r.URL.Path)
	})
	for _, tt := range []struct{ stage, path, to, want, location string }{
		{"$default", "/cases", "/cases/1", "/cases", "/cases/1"},
		{"prod", "/prod/cases", "/cases/1", "/cases", "/prod/cases/1"},
		{"prod", "/prod", "/", "/", "/prod/"},
		{"prod", "/prod/", "https://provider.example.org/x", "/", "https://provider.example.org/x"},
		{"prod", "/prod/prod/x", "//elsewhere", "/prod/x", "//elsewhere"},
		{"prod", "/products", "/x", "/products", "/x"},
		{"", "/cases", "/x", "/cases", "/x"},
	} {
		e := parse(t, tt.path, "to="+tt.to, "GET", tt.stage, "", false)
		if got := call(t, h, e); got.Body != tt.want || got.Headers["Location"] != tt.location {
			t.Errorf("stage %q, path %q: %q, sent on to %q; want %q, %q", tt.stage, tt.path, got.Body, got.Headers["Location"], tt.want, tt.location)
		}
	}
}

// Cookies stand apart and whole, other repeated headers joined; a body that is
// no text comes through to the last byte.
func TestResponse(t *testing.T) {
	every := make([]byte, 256)
	for i := range every {
		every[i] = byte(i)
	}
	for _, tt := range []struct {
		name, kind string
		body       []byte
		encoded    bool
	}{
		{"page", "text/html; charset=utf-8", []byte("<p>SpO₂ ≤ 88</p>"), false},
		{"json", "application/json", []byte(`{"s":1}`), false},
		{"pdf", "application/pdf", append([]byte("%PDF-1.3\n"), every...), true},
		{"text that is none", "text/plain", every, true},
		{"unnamed picture", "", append([]byte("\x89PNG\r\n\x1a\n"), every...), true},
		{"empty", "text/plain", nil, false},
	} {
		h := http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			http.SetCookie(w, &http.Cookie{Name: "a", Value: "1", HttpOnly: true, Expires: time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)})
			http.SetCookie(w, &http.Cookie{Name: "b", Value: "2"})
			w.Header().Add("Vary", "Cookie")
			w.Header().Add("Vary", "Accept")
			if tt.kind != "" {
				w.Header().Set("Content-Type", tt.kind)
			}
			w.WriteHeader(http.StatusAccepted)
			w.Header().Set("Late", "is not sent")
			w.WriteHeader(http.StatusTeapot) // has no effect
			for chunk := range slices.Chunk(tt.body, 100) {
				w.Write(chunk)
			}
		})
		got := call(t, h, parse(t, "/", "", "GET", "$default", "", false))
		body := []byte(got.Body)
		if got.IsBase64Encoded {
			var err error
			if body, err = base64.StdEncoding.DecodeString(got.Body); err != nil {
				t.Fatal(err)
			}
		}
		if got.StatusCode != http.StatusAccepted || got.IsBase64Encoded != tt.encoded || !bytes.Equal(body, tt.body) {
			t.Errorf("%s: %d, encoded %t, %q", tt.name, got.StatusCode, got.IsBase64Encoded, body)
		}
		if want := []string{"a=1; Expires=Mon, 02 Mar 2026 00:00:00 GMT; HttpOnly", "b=2"}; !slices.Equal(got.Cookies, want) {
			t.Errorf("%s: cookies %q", tt.name, got.Cookies)
		}
		if got.Headers["Vary"] != "Cookie, Accept" || slices.Contains(slices.Collect(maps.Keys(got.Headers)), "Late") || got.Headers["Set-Cookie"] != "" {
			t.Errorf("%s: headers %q", tt.name, got.Headers)
		}
		if tt.kind == "" && got.Headers["Content-Type"] != "image/png" {
			t.Errorf("%s: content type %q", tt.name, got.Headers["Content-Type"])
		}
	}
}

// What cannot be answered says so, without a word of the request in the log.
func TestFailures(t *testing.T) {
	var log bytes.Buffer
	f := Handler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch r.URL.Path {
		case "/panic":
			panic("Invented Name")
		case "/large":
			w.Write(make([]byte, 5<<20)) // more than fits once it is in base64
		case "/slow":
			<-r.Context().Done()
		case "/late":
			t.Error("something was begun with no time left")
		}
	}), slog.New(web.LogHandler(slog.NewJSONHandler(&log, nil))), io.Discard)
	for _, tt := range []struct {
		path, method, body string
		encoded            bool
		status             int
		say                string
	}{
		{"/panic", "GET", "", false, 500, sayFailed},
		{"/large", "GET", "", false, 500, sayTooLarge},
		{"/slow", "GET", "", false, 503, sayTooLate},
		{"/late", "GET", "", false, 503, sayTooLate},
		{"/", "POST", "Invented%Name", true, 400, sayNoForm},
		{"/", "", "", false, 400, sayNoForm},
		{"/", "POST", strings.Repeat("x", mostBody+1), false, 413, sayNoForm},
	} {
		left := time.Minute
		if tt.path == "/late" {
			left = beforeDeadline - time.Millisecond
		}
		if tt.path == "/slow" {
			left = beforeDeadline + 10*time.Millisecond
		}
		ctx, cancel := context.WithTimeout(t.Context(), left)
		got, err := f(ctx, parse(t, tt.path, "", tt.method, "$default", tt.body, tt.encoded))
		cancel()
		if err != nil || got.StatusCode != tt.status || got.Body != tt.say {
			t.Errorf("%s: %d %q, %v; want %d %q", tt.path, got.StatusCode, got.Body, err, tt.status, tt.say)
		}
	}
	if strings.Contains(log.String(), "Invented") || !strings.Contains(log.String(), "id-1") {
		t.Errorf("log %s", log.String())
	}
}

// How long an answer took is written as a figure, by the class of its status.
func TestLatency(t *testing.T) {
	var figures bytes.Buffer
	h := http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/panic" {
			panic("Invented Name")
		}
		http.NotFound(w, r)
	})
	answer := Handler(h, quiet(), &figures)
	for _, path := range []string{"/x", "/panic"} {
		if _, err := answer(t.Context(), parse(t, path, "", "GET", "$default", "", false)); err != nil {
			t.Fatal(err)
		}
	}
	var classes []string
	for line := range strings.Lines(figures.String()) {
		var v struct {
			Function, Class string
			Latency         *float64
		}
		if err := json.Unmarshal([]byte(line), &v); err != nil || v.Function != "api" || v.Latency == nil {
			t.Errorf("%v: %s", err, line)
		}
		classes = append(classes, v.Class)
	}
	if !slices.Equal(classes, []string{"4xx", "5xx"}) || strings.Contains(figures.String(), "Invented") {
		t.Errorf("%s", figures.String())
	}
}
