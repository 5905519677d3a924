package recording

import (
	"bytes"
	"fmt"
	"testing"
)

// memoryRows is a full memory of an oximeter at one row a second, 115 hours
// (design section 1, common practice, no source).
const memoryRows = 414_000

func memory() []byte {
	var b bytes.Buffer
	b.WriteString("Date,Time,SpO2,Pulse,Status\n")
	for i := 0; i < memoryRows; i++ {
		s := i % 86400
		fmt.Fprintf(&b, "2026-03-%02d,%02d:%02d:%02d,%d,%d,ok\n", 1+i/86400, s/3600, s/60%60, s%60, 88+i/7%8, 55+i/11%20)
	}
	return b.Bytes()
}

func BenchmarkText(b *testing.B) {
	data := memory()
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	for b.Loop() {
		r, err := ReadBytes(data, Options{})
		if err != nil || len(r.Time) != memoryRows {
			b.Fatalf("%v", err)
		}
	}
}
