//go:build !race

package web

const raced = false
