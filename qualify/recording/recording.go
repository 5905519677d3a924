// Package recording turns the bytes of an upload into a Recording: samples in
// columns, with nothing added, trimmed or re-sampled.
//
// Call Read first. It recognises the format by content, never by a file name,
// and returns either a Recording or an error that names the place, what was
// expected, what was found and what to do next; never both. Doubtful but
// readable material becomes a Warning on the Recording.
//
// What it does not do: it applies no criteria, judges no reading (package
// analysis does) and never guesses: an ambiguous date order or an unknown
// column is refused with the question that has to be answered.
package recording

import (
	"fmt"
	"math"
	"math/big"
	"time"

	"airwarrant/rules/wording"
)

// NoReading is the code that stands in SpO2 and Pulse where the recorder
// stored no reading: an empty field, or one of its no-reading codes.
const NoReading = math.MinInt32

// Formats as the contract names them.
const (
	FormatText = "text"
	FormatEDF  = "edf"
	FormatEDFC = "edf+c"
	FormatEDFD = "edf+d"
	FormatWFDB = "wfdb"
	FormatFHIR = "fhir"
	FormatXLSX = "xlsx"
)

// Flag marks one sample; flags combine.
type Flag uint16

// The marks that a file, or the way its samples lie, can put on a sample.
const (
	// FlagSensorOff: the file says that the sensor was off or disconnected.
	// Such a sample is no reading, whatever number stands beside it.
	FlagSensorOff Flag = 1 << iota
	// FlagMotion: the file marks the sample as taken under motion.
	FlagMotion
	// FlagWeak: the file marks a weak signal or low perfusion.
	FlagWeak
	// FlagMarginal: the file marks the sample as marginal, bad or artifact.
	FlagMarginal
	// FlagUnknownMark: a quality mark that the reader does not know. Doubted.
	FlagUnknownMark
	// FlagConflict: another sample has the same instant and another value.
	// Neither can be used (design 7.3).
	FlagConflict
	// FlagOverlap: the clock stepped back and the sample's instant lies
	// inside another stretch, so that it may be the same time told twice.
	FlagOverlap
)

// ClockKind says what the time stamps of a recording are.
type ClockKind int

const (
	// ClockWall: date and time as the recorder's clock showed it, no zone.
	ClockWall ClockKind = iota
	// ClockInstant: the stamps carry an offset, or a zone was given.
	ClockInstant
	// ClockTimeOfDay: the time of day alone; the date is unknown.
	ClockTimeOfDay
	// ClockElapsed: only time since an unknown start.
	ClockElapsed
)

// Scale turns a recorded code into its value: (code*Mul + Add) / Den, in the
// unit of the column (percent for SpO2, beats per minute for pulse). All three
// are whole numbers, so that comparisons are exact. Den is positive.
type Scale struct {
	Mul, Add, Den int64
}

// Num returns the numerator of the value of code over s.Den, after the snap
// that design section 2 asks for: a reading within half a digital step of a
// whole percent is that percent. A scale whose step is at most a twentieth of
// a percent snaps to tenths in the same way, so that one night in text and in
// 16-bit EDF gives one answer. Values are compared as Num against t*Den.
func (s Scale) Num(code int32) int64 {
	n := int64(code)*s.Mul + s.Add
	step := s.Mul
	if step < 0 {
		step = -step
	}
	// nearest whole, half up
	w := floorDiv(2*n+s.Den, 2*s.Den)
	d := n - w*s.Den
	if d < 0 {
		d = -d
	}
	if 2*d <= step {
		return w * s.Den
	}
	if 20*step <= s.Den && s.Den%10 == 0 {
		t := s.Den / 10
		w = floorDiv(2*n+t, 2*t)
		d = n - w*t
		if d < 0 {
			d = -d
		}
		if 2*d <= step {
			return w * t
		}
	}
	return n
}

// Rat returns the exact value of code after the snap of Num.
func (s Scale) Rat(code int32) *big.Rat { return big.NewRat(s.Num(code), s.Den) }

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b != 0 && (a < 0) != (b < 0) {
		q--
	}
	return q
}

// Warning is something doubtful that was read all the same. Code is a stable
// word for tests and texts; Text is one sentence for people and carries no
// patient data.
type Warning struct {
	Code, Text string
	Said       wording.Text // Text in its parts
}

// Declaration is one thing that the file says about itself or the patient.
// Kind is one of name, birth_date, identifier, sex, equipment, start_date,
// technician, averaging; Where names the line or field. Values are personal
// data: they are shown beside those of the case and never logged.
type Declaration struct {
	Kind, Value string
	Where       wording.Text
}

// Count tells how often a no-reading code or unusable token stood in a column.
type Count struct {
	Column, Token string
	N             int
}

// Annotation is a mark with a text that the file carries (EDF+ annotations,
// event columns). At is in ticks like Recording.Time. Marks are shown, never
// acted on.
type Annotation struct {
	At   int64
	Text string
}

// OffsetChange says that from sample From on, the wall clock stood Seconds
// east of UTC. Only a ClockInstant recording has any.
type OffsetChange struct {
	From    int
	Seconds int
}

// Recording is what one file says.
//
// Samples are columns of equal length, in the order of the file except where
// a warning says that rows were put in order. Time counts ticks of
// 1/PerSecond s: since 1970-01-01 00:00 of the wall clock (ClockWall), since
// the Unix epoch (ClockInstant), since midnight of the first day
// (ClockTimeOfDay) or since the first sample (ClockElapsed). Time never falls,
// except at an index listed in Breaks.
type Recording struct {
	// SHA256 is that of the bytes as they came, lower-case hex, and Size their
	// number. Of a WFDB record whose files lie side by side both are those of
	// the header and the files that it names, in its order, one after the other.
	SHA256    string
	Size      int64
	Format    string // one of the Format constants
	Container string // "none", "gzip" or "zip"
	Zone      string // IANA name if one was given, else ""

	Clock     ClockKind
	PerSecond int64
	Offsets   []OffsetChange

	Time       []int64
	SpO2       []int32 // codes; NoReading where there is none
	Pulse      []int32 // nil if the file has no pulse column
	Flags      []Flag  // nil if no sample is flagged
	SpO2Scale  Scale
	PulseScale Scale

	// Breaks lists the indexes at which the clock stepped back (or a block
	// could not be put in order): the step from the sample before is unknown.
	Breaks []int

	Declared    []Declaration
	Annotations []Annotation
	Codes       []Count        // no-reading codes met, by column
	Layout      []wording.Text // how the file was read, in sentences for the worksheet
	Warnings    []Warning
}

// HasPulse reports whether the file has a pulse column at all.
func (r *Recording) HasPulse() bool { return r.Pulse != nil }

// Flag returns the marks of sample i.
func (r *Recording) Flag(i int) Flag {
	if r.Flags == nil {
		return 0
	}
	return r.Flags[i]
}

// Session is a stretch of samples [From, To) without a long gap. A recording
// of one night has one; a downloaded memory can hold many.
type Session struct {
	From, To int
}

// DefaultSessionGap is the pause that ends a session: 60 minutes (our choice,
// measurement reference section 1, "Several nights").
const DefaultSessionGap = 60 * time.Minute

// Sessions splits r at every step longer than gap (0 means
// DefaultSessionGap). Sessions are in time order and numbered from 1 by
// callers. A clock break alone does not end a session.
func (r *Recording) Sessions(gap time.Duration) []Session {
	if gap <= 0 {
		gap = DefaultSessionGap
	}
	if len(r.Time) == 0 {
		return nil
	}
	limit := ticks(gap, r.PerSecond)
	isBreak := make(map[int]bool, len(r.Breaks))
	for _, b := range r.Breaks {
		isBreak[b] = true
	}
	var out []Session
	from := 0
	for i := 1; i < len(r.Time); i++ {
		if !isBreak[i] && r.Time[i]-r.Time[i-1] > limit {
			out = append(out, Session{from, i})
			from = i
		}
	}
	return append(out, Session{from, len(r.Time)})
}

func ticks(d time.Duration, perSecond int64) int64 {
	return int64(d/time.Second)*perSecond + int64(d%time.Second)*perSecond/int64(time.Second)
}

// Stamp formats the tick at of a sample near index i for people and JSON:
// RFC 3339 with offset for instants, without offset for a wall clock,
// "15:04:05" for a time of day (days after the first are not told apart) and
// "+h:mm:ss" for elapsed time. Fractions of a second are printed only where
// they are not zero, to the millisecond.
func (r *Recording) Stamp(at int64, i int) string {
	sec := floorDiv(at, r.PerSecond)
	frac := (at - sec*r.PerSecond) * 1000 / r.PerSecond
	f := ""
	if frac != 0 {
		f = fmt.Sprintf(".%03d", frac)
	}
	switch r.Clock {
	case ClockInstant:
		off := 0
		for _, c := range r.Offsets {
			if c.From > i {
				break
			}
			off = c.Seconds
		}
		t := time.Unix(sec, 0).In(time.FixedZone("", off))
		return t.Format("2006-01-02T15:04:05") + f + t.Format("Z07:00")
	case ClockTimeOfDay:
		return time.Unix(sec, 0).UTC().Format("15:04:05") + f
	case ClockElapsed:
		return fmt.Sprintf("+%d:%02d:%02d%s", sec/3600, sec/60%60, sec%60, f)
	default:
		return time.Unix(sec, 0).UTC().Format("2006-01-02T15:04:05") + f
	}
}

// Options is what the caller knows and the file may not say.
type Options struct {
	// Zone is an IANA zone in which stamps without an offset are read; ""
	// leaves them as wall-clock times.
	Zone string
	// Columns is a mapping for delimited text as --columns takes it, "" to
	// find the columns by their headers and shapes. See ParseColumns. For EDF,
	// WFDB and FHIR the keys spo2, pulse and unit alone mean something; for a
	// workbook sheet=NAME (or its number from 1) is one more.
	Columns string
	// IntervalMS is the step between rows in milliseconds for a file without
	// any time column; 0 if not given.
	IntervalMS int64
	// MaxBytes limits the upload, and again what it unpacks to; 0 means
	// DefaultMaxBytes.
	MaxBytes int64
	// Sibling returns the file of that name beside the upload, for a WFDB
	// header; nil if nothing lies beside it. Names hold no folder.
	Sibling func(name string) ([]byte, error)
	// Workbook turns the sheets of a workbook of at most limit unpacked bytes
	// into delimited text, names and texts in the order of the book; nil
	// refuses workbooks. Package sheets has one: its library stays there.
	Workbook func(data []byte, limit int64) (names []string, texts [][]byte, err error)
}

// DefaultMaxBytes is the largest upload that is read: 64 MiB, several times
// a full memory of an oximeter at one row a second (our choice).
const DefaultMaxBytes = 64 << 20
