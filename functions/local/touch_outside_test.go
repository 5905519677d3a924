//go:build outside

package main

import (
	"fmt"
	"testing"

	"github.com/chromedp/cdproto/input"
	cdp "github.com/chromedp/chromedp"
)

// touch puts fingers on the screen, moves each in a straight line, and takes
// them up. Each is from x, y to x, y in pixels.
func (b *browser) touch(fingers ...[4]float64) {
	b.t.Helper()
	at := func(share float64) (out []*input.TouchPoint) {
		for i, f := range fingers {
			out = append(out, &input.TouchPoint{X: f[0] + share*(f[2]-f[0]), Y: f[1] + share*(f[3]-f[1]), ID: new(float64(i))})
		}
		return out
	}
	send := func(kind input.DispatchTouchEventType, points []*input.TouchPoint) {
		b.t.Helper()
		if _, err := cdp.Call(b.ctx, input.DispatchTouchEvent, input.DispatchTouchEventParams{Type: kind, TouchPoints: points}); err != nil {
			b.t.Fatal(err)
		}
	}
	send(input.DispatchTouchEventTypeTouchStart, at(0))
	for step := 1.; step <= 10; step++ {
		send(input.DispatchTouchEventTypeTouchMove, at(step/10))
	}
	send(input.DispatchTouchEventTypeTouchEnd, []*input.TouchPoint{})
}

// number is a number that the page computes.
func (b *browser) number(expr string) float64 {
	b.t.Helper()
	v, err := cdp.Run(b.ctx, cdp.Evaluate[float64](expr))
	if err != nil {
		b.t.Fatal(err)
	}
	return v
}

// TestOutsideTraceByFingers reads, draws closer and moves a trace on a touch
// screen of 390 pixels, where the page still scrolls under one finger.
func TestOutsideTraceByFingers(t *testing.T) {
	b := open(t)
	openNight(t, b, night("93*2700 88*95 93*2700"))
	b.do(cdp.EmulateViewport(390, 800, cdp.EmulateMobile, cdp.EmulateTouch))
	b.visit(b.path())
	const title = "document.querySelector('#sheet .trace title').textContent"
	b.until("a trace", "!!document.querySelector('#sheet .trace[data-live]')")
	middle := func() float64 {
		b.js("document.querySelector('#sheet .trace').scrollIntoView({block:'center'});true")
		return b.number("(()=>{const e=document.querySelector('#sheet .trace').getBoundingClientRect();return e.top+e.height*.4})()")
	}
	whole := b.text1("#sheet .trace title", "")
	const drawn = " && !document.querySelector('#sheet .ws-run').hasAttribute('transform')"

	// A tap reads.
	y := middle()
	b.touch([4]float64{200, y, 200, y})
	b.until("a reading", "document.querySelector('#sheet .reading').textContent.includes('93 %')")

	// One finger up and down moves the page, and nothing of the trace.
	before := b.number("scrollY")
	b.touch([4]float64{200, y, 200, y - 150})
	b.until("the page scrolled", fmt.Sprintf("Math.abs(scrollY-%g)>60", before))
	if b.text1("#sheet .trace title", "") != whole {
		t.Error("the trace moved with the page")
	}

	// Two fingers draw closer; the page keeps its size.
	y = middle()
	b.touch([4]float64{180, y, 100, y}, [4]float64{220, y, 300, y})
	b.until("a part", title+".includes('a part of the session')"+drawn)
	if s := b.number("visualViewport.scale"); s != 1 {
		t.Errorf("the page was drawn closer too: %g", s)
	}
	span := "(()=>{const m=" + title + ".match(/from (\\d+):(\\d+):(\\d+) to (\\d+):(\\d+):(\\d+)/).slice(1).map(Number);const d=(m[3]-m[0])*3600+(m[4]-m[1])*60+m[5]-m[2];return d<0?d+86400:d})()"
	// 40 pixels apart became 200: a fifth of 5495 readings at 4 s.
	if got := b.number(span); got < 4200 || got > 4600 {
		t.Errorf("%g s are shown, want about %d", got, 5495*4/5)
	}

	// One finger across moves it along, as far as the finger; then the page
	// still scrolls up and down.
	was := b.text1("#sheet .trace title", "")
	y = middle()
	b.touch([4]float64{250, y, 150, y})
	b.until("moved along", title+fmt.Sprintf("!==%q", was)+drawn)
	if got := b.number(span); got < 4200 || got > 4600 {
		t.Errorf("moved along, %g s are shown", got)
	}
	before = b.number("scrollY")
	b.touch([4]float64{200, y, 200, y - 150})
	b.until("the page scrolled", fmt.Sprintf("Math.abs(scrollY-%g)>60", before))

	// At the end of the session the sheet goes on to its right edge.
	frame := "document.querySelector('#sheet .trace').parentElement"
	b.js(frame + ".scrollLeft=0;true")
	for range 12 {
		y = middle()
		b.touch([4]float64{300, y, 60, y})
	}
	b.until("the end of the sheet", frame+".scrollLeft>="+frame+".scrollWidth-"+frame+".clientWidth-1")

	// Two fingers together show the whole again.
	for range 3 {
		y = middle()
		b.touch([4]float64{60, y, 180, y}, [4]float64{330, y, 210, y})
	}
	b.until("the whole", title+fmt.Sprintf("===%q", whole))
	b.look("54-trace-by-fingers")
}
