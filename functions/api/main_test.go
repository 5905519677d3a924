package main

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
)

// The settings of the sign-in provider come out of the secret that is named: the
// service of secrets is stood in for by what its published interface says of
// one call, GetSecretValue (from memory).
func TestSignInProvider(t *testing.T) {
	const good = `{"name": "the staff sign-in", "issuer": "https://id.example.org/pool", "client_id": "client", "client_secret": "very-secret",
		"address": "https://oxygen.example.org", "groups_claim": "groups", "roles": {"intake": "intake"}}`
	secrets := map[string]map[string]any{
		"good":  {"SecretString": good},
		"bytes": {"SecretBinary": "AAAA"},
		"wrong": {"SecretString": `{"client_secret": "very-secret", "unknown": 1}`},
	}
	calls := 0
	service := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		calls++
		var in struct{ SecretId string }
		if err := json.NewDecoder(r.Body).Decode(&in); err != nil || r.Header.Get("X-Amz-Target") != "secretsmanager.GetSecretValue" || !strings.Contains(r.Header.Get("Authorization"), "/secretsmanager/aws4_request") {
			t.Errorf("a call %q of %q: %v", r.Header.Get("X-Amz-Target"), in.SecretId, err)
		}
		w.Header().Set("Content-Type", "application/x-amz-json-1.1")
		found, ok := secrets[in.SecretId]
		if !ok {
			w.WriteHeader(http.StatusBadRequest)
			w.Write([]byte(`{"__type": "ResourceNotFoundException", "Message": "there is none"}`))
			return
		}
		json.NewEncoder(w).Encode(found)
	}))
	defer service.Close()
	for name, value := range map[string]string{"AWS_REGION": "us-east-1", "AWS_ACCESS_KEY_ID": "standin", "AWS_SECRET_ACCESS_KEY": "standin-secret",
		"AWS_SESSION_TOKEN": "", "AWS_EC2_METADATA_DISABLED": "true", "AWS_ENDPOINT_URL_SECRETS_MANAGER": service.URL} {
		t.Setenv(name, value)
	}
	p, err := signInProvider(t.Context(), "good")
	if err != nil || p == nil || p.Host() != "oxygen.example.org" {
		t.Errorf("%v, %v", p, err)
	}
	for name, want := range map[string]string{"none": "ResourceNotFoundException", "bytes": "put text in it", "wrong": "AIRWARRANT_PROVIDER"} {
		p, err := signInProvider(t.Context(), name)
		if err == nil || p != nil || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), "AIRWARRANT_PROVIDER") || strings.Contains(err.Error(), "very-secret") {
			t.Errorf("%s: %v, %v", name, p, err)
		}
	}
	before := calls
	if p, err := signInProvider(t.Context(), ""); p != nil || err != nil || calls != before {
		t.Errorf("without a name: %v, %v, %d calls", p, err, calls-before)
	}
}
