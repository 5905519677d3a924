//go:build !race

package recording_test

const allocationSlack = 1
