package web

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"airwarrant/qualify/criteria"
)

// walkPart is a part of a synthetic walk: the saturation goes evenly from one
// value to another, and so does the pulse.
type walkPart struct {
	seconds          int
	spo2From, spo2To float64
	pulseFrom, pulse float64
	remark           string // of its first row
}

// walkText prints the parts at one row a second, with the remarks of whoever
// supervised.
func walkText(seed uint64, start time.Time, parts []walkPart) []byte {
	r := source{rand.NewPCG(seed, 3)}
	var b bytes.Buffer
	b.WriteString("Date and time,SpO2 (%),Pulse (bpm),Remark\r\n")
	at := start
	for _, p := range parts {
		for i := range p.seconds {
			share := float64(i) / float64(p.seconds)
			spo2 := p.spo2From + share*(p.spo2To-p.spo2From) + 0.3*r.spread()
			pulse := p.pulseFrom + share*(p.pulse-p.pulseFrom) + 1.4*r.spread()
			remark := ""
			if i == 0 {
				remark = p.remark
			}
			fmt.Fprintf(&b, "%s,%.0f,%.0f,%s\r\n", at.Format("2006-01-02 15:04:05"), math.Round(spo2), math.Round(pulse), remark)
			at = at.Add(time.Second)
		}
	}
	return b.Bytes()
}

// walkBriar is a walk in three legs, with the readings of the recovery lower
// than those of the walk itself: the blood of the finger comes late.
var walkBriar = walkText(19, time.Date(2026, 4, 14, 10, 2, 0, 0, time.UTC), []walkPart{
	{300, 93, 93, 78, 78, "seated"},
	{150, 93, 88, 80, 108, "walk begins"}, {210, 88, 86, 108, 116, ""},
	{60, 86, 84, 116, 104, "walk ends"}, {180, 84, 94, 104, 84, "oxygen 2 L/min"},
	{120, 95, 92, 86, 108, "walk begins"}, {240, 92, 91, 108, 114, ""},
	{90, 91, 94, 114, 92, "walk ends"},
})

// demoMarks are the stretches marked on recordings of the demonstration.
var demoMarks = map[string][]criteria.RecordingRole{
	"walk-8.csv": {
		{Role: criteria.RoleRestAir, From: "10:02:00", Until: "10:07:00"},
		{Role: criteria.RoleExertionAir, From: "10:07:00", Until: "10:13:00"},
		{Role: criteria.RoleRecovery, From: "10:13:00", Until: "10:17:00"},
		{Role: criteria.RoleExertionOxygen, From: "10:17:00", Until: "10:23:00", Flow: "2", Device: "continuous_flow"},
		{Role: criteria.RoleRecovery, From: "10:23:00", Until: "10:24:30"},
	},
}
