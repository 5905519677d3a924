package web

import (
	"encoding/json"

	"airwarrant/web/texts"
)

// scriptWords are what the scripts of the pages tell, by the name under which
// they ask for it. They come with each page in its language, so that no script
// holds a text; %s is a place that the script fills.
var scriptWords = map[string]string{
	"place":   "Place on the trace",
	"start":   "at the start",
	"help":    "Point at the trace to read it; arrow keys on it do the same, + and − draw it closer or wider, 0 draws the whole. On a touch screen two fingers draw it closer, and one moves it along.",
	"shows":   "What the trace shows",
	"lost":    "This part of the trace could not be fetched. Try again in a minute, or load the page again.",
	"record":  "no record",
	"range":   "%s to %s",
	"pulse":   "%s, pulse %s",
	"none":    "no reading",
	"drawn":   "being drawn",
	"earlier": "Earlier",
	"closer":  "Closer",
	"wider":   "Wider",
	"later":   "Later",
	"entire":  "Whole session",
	"hide":    "Hide doubted readings (no figure changes)",
	"aim":     "A click on the trace, or Enter after the arrow keys on it, goes into: %s.",
	"sending": "Sending…",
	"sent":    "Sent %s %",
	"whole":   "Sent. Reading the recording…",
	"broke":   "The connection broke off. Nothing was stored; send it again.",
	"stopped": "Sending was stopped. Nothing was stored.",
}

// scriptsSay are scriptWords in each language.
var scriptsSay = func() map[*texts.Language]map[string]string {
	out := map[*texts.Language]map[string]string{}
	for _, l := range texts.Languages {
		out[l] = map[string]string{}
		for name, text := range scriptWords {
			out[l][name] = l.Text(text)
		}
	}
	return out
}()

// scriptsSaid holds scriptsSay as JSON. It stands in a page as data, and not in a
// script element: no page holds one with a text.
var scriptsSaid = func() map[*texts.Language]string {
	out := map[*texts.Language]string{}
	for l, words := range scriptsSay {
		b, err := json.Marshal(words)
		if err != nil {
			panic(err) // a map of strings
		}
		out[l] = string(b)
	}
	return out
}()
