package web

import "embed"

//go:embed templates static
var files embed.FS
