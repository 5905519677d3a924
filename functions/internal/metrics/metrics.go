// Package metrics writes figures into the log of a function, in the form that
// the log service takes figures from (embedded metric format). They hold
// counts and durations, and nothing of a case.
package metrics

import (
	"encoding/json"
	"io"
	"maps"
	"os"
	"slices"
	"time"
)

// Namespace is where the figures are kept.
const Namespace = "Airwarrant"

// Unit is what a figure counts.
type Unit string

// The units that are used.
const (
	Count        Unit = "Count"
	Milliseconds Unit = "Milliseconds"
)

// Value is one figure.
type Value struct {
	Name  string
	Unit  Unit
	Value float64
	// By divides the figure further, such as by Outcome; nil for not.
	By map[string]string
}

// Determined counts the outcomes of determinations of a function, on standard
// output.
func Determined(function string) func(outcomes []string) {
	return func(outcomes []string) {
		var values []Value
		for _, o := range outcomes {
			values = append(values, Value{Name: "Determinations", Unit: Count, Value: 1, By: map[string]string{"Outcome": o}})
		}
		// A figure that cannot be written keeps nobody from the case.
		_ = Write(os.Stdout, time.Now(), function, values...)
	}
}

// Write writes one line for each figure, of a function at an instant.
func Write(w io.Writer, at time.Time, function string, values ...Value) error {
	type metric struct {
		Name string
		Unit Unit
	}
	type directive struct {
		Namespace  string
		Dimensions [][]string
		Metrics    []metric
	}
	enc := json.NewEncoder(w)
	for _, v := range values {
		names := []string{"Function"}
		line := map[string]any{"Function": function, v.Name: v.Value}
		for _, name := range slices.Sorted(maps.Keys(v.By)) {
			names = append(names, name)
			line[name] = v.By[name]
		}
		line["_aws"] = map[string]any{"Timestamp": at.UnixMilli(),
			"CloudWatchMetrics": []directive{{Namespace, [][]string{names}, []metric{{v.Name, v.Unit}}}}}
		if err := enc.Encode(line); err != nil {
			return err
		}
	}
	return nil
}
