package web

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"math"
	"strconv"
	"strings"
	"testing"
)

// linear is the gamma of WCAG's relative luminance.
func linear(c float64) float64 {
	if c <= 0.04045 {
		return c / 12.92
	}
	return math.Pow((c+0.055)/1.055, 2.4)
}

func TestDemoRecordingsNeverChange(t *testing.T) {
	a, b := DemoRecordings(), DemoRecordings()
	for i := range a {
		if !bytes.Equal(a[i].Data, b[i].Data) {
			t.Errorf("%s differs between two calls", a[i].Name)
		}
		sum := sha256.Sum256(a[i].Data)
		if got, want := hex.EncodeToString(sum[:6]), demoHashes[a[i].Name]; got != want {
			t.Errorf("%s: SHA-256 begins %s, want %s; worksheets of the demonstration and pictures of them change with it", a[i].Name, got, want)
		}
	}
}

// demoHashes are of our own bytes: they guard against an unnoticed change.
var demoHashes = map[string]string{
	"night-1.csv": "c1ada0311512", "night-2.csv": "0b1fc5920469", "night-3.csv": "7630ed084458", "night-4.edf": "51a0aece886f",
	"night-5.csv": "ae51f4b4352b", "night-6.csv": "ad4fa0776bc3", "nights-7.csv": "72653e5152a4",
	"walk-8.csv": "d91dba1edc59",
}

// The EDF header has the widths and places that the format's authors publish
// (Kemp et al. 1992, table of the header record; edfplus.info/specs/edf.html,
// from memory): 8, 80, 80, 8, 8, 8, 44, 8, 8, 4, then 256 bytes a signal.
func TestEDFHeader(t *testing.T) {
	var data []byte
	for _, r := range DemoRecordings() {
		if strings.HasSuffix(r.Name, ".edf") {
			data = r.Data
		}
	}
	at := func(from, width int) string { return strings.TrimSpace(string(data[from : from+width])) }
	for _, tt := range []struct {
		what        string
		from, width int
		want        string
	}{
		{"version", 0, 8, "0"},
		{"patient", 8, 80, "HV-20460 M 31-JAN-1955 Cassius_Penhallow"},
		{"recording", 88, 80, "Startdate 11-MAR-2026 X X bedside_recorder_3"},
		{"start date", 168, 8, "11.03.26"},
		{"start time", 176, 8, "21.55.20"},
		{"bytes of header", 184, 8, "768"},
		{"records", 236, 8, "420"},
		{"seconds of a record", 244, 8, "60"},
		{"signals", 252, 4, "2"},
		{"label of signal 1", 256, 16, "SpO2"},
		{"label of signal 2", 272, 16, "Pulse"},
		{"unit of signal 1", 448, 8, "%"},
		{"samples of signal 1", 688, 8, "60"},
	} {
		if got := at(tt.from, tt.width); got != tt.want {
			t.Errorf("%s: %q at byte %d, want %q", tt.what, got, tt.from, tt.want)
		}
	}
	records, err := strconv.Atoi(at(236, 8))
	if err != nil {
		t.Fatal(err)
	}
	if want := 768 + records*(60+60)*2; len(data) != want {
		t.Errorf("%d bytes, want header plus %d records: %d", len(data), records, want)
	}
}
