//go:build !race

package criteria

const raced = false
