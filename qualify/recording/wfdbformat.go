package recording

import "encoding/binary"

// wfdbFormat is how samples lie in a signal file: signal(5) of the WFDB
// Applications Guide, https://physionet.org/physiotools/wag/signal-5.htm. The
// no-sample codes are from memory, save those of formats 16, 80 and 212, which
// the measurement reference (section 2.3) gives.
type wfdbFormat struct {
	bits   uint // beside the sign
	none   int32
	spare  int64                         // samples that the last group of bytes may hold too many
	count  func(n int64) int64           // whole samples in n bytes
	sample func(b []byte, k int64) int32 // sample k of b
}

// signExtend reads the lowest bits of v as two's complement.
func signExtend(v uint32, bits uint) int32 { return int32(v<<(32-bits)) >> (32 - bits) }

var wfdbFormats = map[string]wfdbFormat{
	"16": {15, -1 << 15, 0, func(n int64) int64 { return n / 2 },
		func(b []byte, k int64) int32 { return int32(int16(binary.LittleEndian.Uint16(b[2*k:]))) }},
	"61": {15, -1 << 15, 0, func(n int64) int64 { return n / 2 },
		func(b []byte, k int64) int32 { return int32(int16(binary.BigEndian.Uint16(b[2*k:]))) }},
	"160": {15, -1 << 15, 0, func(n int64) int64 { return n / 2 },
		func(b []byte, k int64) int32 { return int32(binary.LittleEndian.Uint16(b[2*k:])) - 1<<15 }},
	"80": {7, -1 << 7, 0, func(n int64) int64 { return n },
		func(b []byte, k int64) int32 { return int32(b[k]) - 1<<7 }},
	"24": {23, -1 << 23, 0, func(n int64) int64 { return n / 3 },
		func(b []byte, k int64) int32 {
			b = b[3*k:]
			return signExtend(uint32(b[0])|uint32(b[1])<<8|uint32(b[2])<<16, 24)
		}},
	"32": {31, -1 << 31, 0, func(n int64) int64 { return n / 4 },
		func(b []byte, k int64) int32 { return int32(binary.LittleEndian.Uint32(b[4*k:])) }},
	// Two samples of 12 bits in three bytes: the high nibbles of both share
	// the middle one.
	"212": {11, -1 << 11, 1, func(n int64) int64 { return n/3*2 + n%3/2 },
		func(b []byte, k int64) int32 {
			b = b[k/2*3:]
			if k%2 == 0 {
				return signExtend(uint32(b[0])|uint32(b[1]&0x0f)<<8, 12)
			}
			return signExtend(uint32(b[2])|uint32(b[1]>>4)<<8, 12)
		}},
	// Three samples of 10 bits in two words of 16 bits: bits 1 to 10 of each
	// word, and a third of the upper five bits of both.
	"310": {9, -1 << 9, 2, func(n int64) int64 { return n/4*3 + n%4/2 },
		func(b []byte, k int64) int32 {
			b = b[k/3*4:]
			switch k % 3 {
			case 0:
				return signExtend(uint32(binary.LittleEndian.Uint16(b))>>1, 10)
			case 1:
				return signExtend(uint32(binary.LittleEndian.Uint16(b[2:]))>>1, 10)
			}
			return signExtend(uint32(b[1]>>3)|uint32(b[3]>>3)<<5, 10)
		}},
	// Three samples of 10 bits in one word of 32 bits, the first lowest.
	"311": {9, -1 << 9, 2, func(n int64) int64 { return n/4*3 + max(0, n%4-1) },
		func(b []byte, k int64) int32 {
			b = b[k/3*4:]
			at := uint(k % 3 * 10)
			return signExtend((uint32(b[at/8])|uint32(b[at/8+1])<<8)>>(at%8), 10)
		}},
}
