// Package gateway turns the events of an HTTP API (payload format 2.0) into
// requests for an http.Handler, and its answers into what the API expects.
//
// Call Handler with the site's own handler and give the result to
// lambda.Start. The request's context names it as the logs of the API do; see
// web.RequestID.
//
// The pages hold addresses from the root, so the site belongs on the stage
// "$default" or behind a domain of its own. A named stage in front of the path
// is taken off, and put back where an answer sends the browser on.
package gateway

import (
	"bytes"
	"context"
	"crypto/tls"
	"encoding/base64"
	"fmt"
	"io"
	"log/slog"
	"mime"
	"net"
	"net/http"
	"net/url"
	"runtime/debug"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/aws/aws-lambda-go/events"

	"airwarrant/functions/internal/metrics"
	"airwarrant/web"
)

const (
	// mostBody is the most that a function is sent and may answer, in bytes,
	// as it stands in the event: 6 MB (from memory of the service's published
	// quotas), less some room for the rest of an answer.
	mostBody = 6_000_000
	// before the deadline of the function a request is given up, so that the
	// browser is told and not cut off (our choice).
	beforeDeadline = 500 * time.Millisecond
)

// The words of answers that the site itself cannot give. They hold nothing of
// the request.
const (
	sayTooLate  = "This took too long and was given up. What was sent may or may not have been stored: open the page again and look before sending it once more.\n"
	sayTooLarge = "The answer is larger than can be sent this way.\n"
	sayFailed   = "Something went wrong here. Try again; if it happens again, tell whoever looks after this program when it did.\n"
	sayNoForm   = "The request could not be read. Nothing was stored.\n"
)

// Handler returns the function that answers events through h. What goes wrong
// outside h is told to log, without anything of the request but its id; how
// long each answer took, by the class of its status, is written to figures.
func Handler(h http.Handler, log *slog.Logger, figures io.Writer) func(context.Context, events.APIGatewayV2HTTPRequest) (events.APIGatewayV2HTTPResponse, error) {
	answer := answering(h, log)
	return func(ctx context.Context, e events.APIGatewayV2HTTPRequest) (events.APIGatewayV2HTTPResponse, error) {
		began := time.Now()
		out, err := answer(ctx, e)
		if err != nil {
			return out, err
		}
		return out, metrics.Write(figures, began, "api", metrics.Value{Name: "Latency", Unit: metrics.Milliseconds,
			Value: float64(time.Since(began).Milliseconds()), By: map[string]string{"Class": fmt.Sprintf("%dxx", out.StatusCode/100)}})
	}
}

func answering(h http.Handler, log *slog.Logger) func(context.Context, events.APIGatewayV2HTTPRequest) (events.APIGatewayV2HTTPResponse, error) {
	return func(ctx context.Context, e events.APIGatewayV2HTTPRequest) (events.APIGatewayV2HTTPResponse, error) {
		ctx = web.WithRequestID(ctx, e.RequestContext.RequestID)
		prefix := stagePrefix(e)
		if len(e.Body) > mostBody {
			return plain(http.StatusRequestEntityTooLarge, sayNoForm), nil
		}
		r, err := request(ctx, e, prefix)
		if err != nil {
			log.ErrorContext(ctx, "an event is no request")
			return plain(http.StatusBadRequest, sayNoForm), nil
		}
		within := h
		if deadline, ok := ctx.Deadline(); ok {
			left := time.Until(deadline) - beforeDeadline
			if left <= 0 {
				return plain(http.StatusServiceUnavailable, sayTooLate), nil // what is begun now would fail in some other words
			}
			within = http.TimeoutHandler(h, left, sayTooLate)
		}
		w := &answer{header: http.Header{}}
		if !serve(within, w, r, log) {
			return plain(http.StatusInternalServerError, sayFailed), nil
		}
		out := w.response(r.Method, prefix)
		if len(out.Body) > mostBody {
			log.ErrorContext(ctx, "an answer is too large for the API", "bytes", len(out.Body))
			return plain(http.StatusInternalServerError, sayTooLarge), nil
		}
		return out, nil
	}
}

// serve reports whether h answered without a panic. The value of a panic is
// not logged: it may hold what a patient's file said.
func serve(h http.Handler, w http.ResponseWriter, r *http.Request, log *slog.Logger) (ok bool) {
	defer func() {
		if recover() != nil {
			log.ErrorContext(r.Context(), "a handler panicked", "stack", string(debug.Stack()))
		}
	}()
	h.ServeHTTP(w, r)
	return true
}

// stagePrefix is what a named stage puts before the path.
func stagePrefix(e events.APIGatewayV2HTTPRequest) string {
	stage := "/" + e.RequestContext.Stage
	if stage == "/" || stage == "/$default" || e.RawPath != stage && !strings.HasPrefix(e.RawPath, stage+"/") {
		return ""
	}
	return stage
}

func request(ctx context.Context, e events.APIGatewayV2HTTPRequest, prefix string) (*http.Request, error) {
	raw := strings.TrimPrefix(e.RawPath, prefix)
	if raw == "" {
		raw = "/"
	}
	path, err := url.PathUnescape(raw)
	if err != nil {
		path = raw // it came unescaped
	}
	u := &url.URL{Path: path, RawPath: raw, RawQuery: e.RawQueryString}
	body := []byte(e.Body)
	if e.IsBase64Encoded {
		if body, err = base64.StdEncoding.DecodeString(e.Body); err != nil {
			return nil, fmt.Errorf("body: %w", err)
		}
	}
	header := http.Header{}
	for name, value := range e.Headers {
		header.Set(name, value)
	}
	// The API takes the cookies out of the headers.
	if len(e.Cookies) > 0 {
		header.Set("Cookie", strings.Join(e.Cookies, "; "))
	}
	host := e.RequestContext.DomainName
	header.Del("Host")
	r := &http.Request{
		Method: e.RequestContext.HTTP.Method, URL: u, RequestURI: u.RequestURI(), Host: host,
		Proto: "HTTP/1.1", ProtoMajor: 1, ProtoMinor: 1,
		Header: header, Body: io.NopCloser(bytes.NewReader(body)), ContentLength: int64(len(body)),
		RemoteAddr: net.JoinHostPort(e.RequestContext.HTTP.SourceIP, "0"),
		// The API speaks HTTPS and nothing else.
		TLS: &tls.ConnectionState{ServerName: host},
	}
	if r.Method == "" || host == "" {
		return nil, fmt.Errorf("expected a method and a domain, found %q and %q; is the payload format 2.0?", r.Method, host)
	}
	return r.WithContext(ctx), nil
}

// answer keeps what a handler writes.
type answer struct {
	header http.Header
	sent   http.Header // as it stood when the status was written
	status int
	body   bytes.Buffer
}

func (a *answer) Header() http.Header { return a.header }

func (a *answer) WriteHeader(status int) {
	// Informational answers have no place in an event.
	if a.status == 0 && status >= 200 {
		a.status, a.sent = status, a.header.Clone()
	}
}

func (a *answer) Write(p []byte) (int, error) {
	a.WriteHeader(http.StatusOK)
	return a.body.Write(p)
}

// response is the answer as the API expects it.
func (a *answer) response(method, prefix string) events.APIGatewayV2HTTPResponse {
	a.WriteHeader(http.StatusOK)
	out := events.APIGatewayV2HTTPResponse{StatusCode: a.status, Headers: map[string]string{}, Cookies: a.sent.Values("Set-Cookie")}
	a.sent.Del("Set-Cookie")
	body := a.body.Bytes()
	if a.sent.Get("Content-Type") == "" && len(body) > 0 {
		a.sent.Set("Content-Type", http.DetectContentType(body))
	}
	if method == http.MethodHead || a.status == http.StatusNoContent || a.status == http.StatusNotModified {
		body = nil
	}
	if to := a.sent.Get("Location"); prefix != "" && strings.HasPrefix(to, "/") && !strings.HasPrefix(to, "//") {
		a.sent.Set("Location", prefix+to)
	}
	for name, values := range a.sent {
		out.Headers[name] = strings.Join(values, ", ")
	}
	if isText(a.sent) && utf8.Valid(body) {
		out.Body = string(body)
	} else {
		out.Body, out.IsBase64Encoded = base64.StdEncoding.EncodeToString(body), true
	}
	return out
}

// isText reports whether a body may stand in an event as it is.
func isText(h http.Header) bool {
	kind, _, err := mime.ParseMediaType(h.Get("Content-Type"))
	if err != nil || h.Get("Content-Encoding") != "" {
		return false
	}
	return strings.HasPrefix(kind, "text/") || kind == "application/json" || kind == "image/svg+xml"
}

// plain is an answer that the site did not give.
func plain(status int, say string) events.APIGatewayV2HTTPResponse {
	return events.APIGatewayV2HTTPResponse{StatusCode: status, Body: say, Headers: map[string]string{
		"Content-Type": "text/plain; charset=utf-8", "Cache-Control": "no-store", "X-Content-Type-Options": "nosniff",
	}}
}
