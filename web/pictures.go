package web

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"image"
	"image/jpeg"
	"image/png"
	"sync"

	"airwarrant/qualify/casework"
	"airwarrant/rules/wording"
)

// Media types of documents, told by content alone.
const (
	mediaPNG  = "image/png"
	mediaJPEG = "image/jpeg"
	mediaTIFF = "image/tiff"
	mediaPDF  = "application/pdf"
)

// Limits of a document (our choice: a fax of a report has a page or two).
const (
	documentLimit = 24 << 20 // bytes
	pagesLimit    = 100
	// pixelLimit is what a page may unpack to: a letter page at 600 dots an
	// inch has 33.7 million.
	pixelLimit = 36_000_000
)

// pictureError says why a document cannot be shown, for the person who sends
// it. Nothing of what the document says is in it.
type pictureError struct{ Expected, Found, Mend wording.Text }

// Said is what was expected, what was found and the mend, in its parts.
func (e *pictureError) Said() wording.Text {
	return wording.Said("expected %s; found %s; %s", e.Expected, e.Found, e.Mend)
}

// Error says it in English.
func (e *pictureError) Error() string { return e.Said().String() }

var errMedia = &pictureError{wording.Said("a picture of a page as PNG, JPEG or TIFF, or a PDF"), wording.Said("another kind of file, or one that is cut off"), wording.Said("scan or save the page again as one of these")}

// mediaOf tells the media type of a document by how it begins, "" if it is
// none of ours: PNG (W3C, PNG specification, 5.2), JPEG (ITU-T T.81, B.1.1.3),
// TIFF (revision 6.0, section 2), PDF (ISO 32000-1, 7.5.2; its header may
// stand within the first 1024 bytes, annex H.3.4.1).
func mediaOf(data []byte) string {
	switch {
	case bytes.HasPrefix(data, []byte("\x89PNG\r\n\x1a\n")):
		return mediaPNG
	case bytes.HasPrefix(data, []byte("\xff\xd8\xff")):
		return mediaJPEG
	case bytes.HasPrefix(data, []byte("II*\x00")), bytes.HasPrefix(data, []byte("MM\x00*")):
		return mediaTIFF
	case bytes.Contains(data[:min(len(data), 1024)], []byte("%PDF-")):
		return mediaPDF
	}
	return ""
}

// leaf is the picture of one page as it is served, with the size in which its
// pixels are square.
type leaf struct {
	media         string
	body          []byte
	width, height int
}

// readDocument tells what a document is and how many pages it has. Each page
// of it can be shown afterwards.
func (s *Site) readDocument(ctx context.Context, data []byte) (media string, pages int, err error) {
	switch media = mediaOf(data); media {
	case mediaPNG, mediaJPEG:
		if _, err := plainLeaf(media, data); err != nil {
			return media, 0, err
		}
		if !whole(media, data) {
			return media, 0, errMedia
		}
		return media, 1, nil
	case mediaTIFF:
		pages, err = tiffPages(data)
		return media, pages, err
	case mediaPDF:
		pages, err = s.pdf.pages(ctx, data)
		return media, pages, err
	}
	return "", 0, errMedia
}

// whole reports whether a picture ends as its format asks, without unpacking
// it: a PNG of chunks with their check sums up to IEND (W3C, PNG specification,
// 5.3 and 5.6), a JPEG with an end of image behind its scan (ITU-T T.81,
// B.1.1.3 and B.2.1).
func whole(media string, data []byte) bool {
	if media == mediaPNG {
		for rest := data[8:]; len(rest) >= 12; {
			n := uint64(binary.BigEndian.Uint32(rest))
			if n+12 > uint64(len(rest)) || crc32.ChecksumIEEE(rest[4:8+n]) != binary.BigEndian.Uint32(rest[8+n:]) {
				return false
			}
			if string(rest[4:8]) == "IEND" {
				return true
			}
			rest = rest[12+n:]
		}
		return false
	}
	for at := 2; at+4 <= len(data) && data[at] == 0xff; {
		switch marker := data[at+1]; {
		case marker == 0xff: // fill
			at++
		case marker == 0xda:
			return bytes.Contains(data[at:], []byte{0xff, 0xd9})
		default:
			at += 2 + int(binary.BigEndian.Uint16(data[at+2:]))
		}
	}
	return false
}

// leafOf makes the picture of one page of a document; page counts from 1.
func (s *Site) leafOf(ctx context.Context, d *casework.Document, page int) (leaf, error) {
	if page < 1 || page > d.Pages {
		return leaf{}, errNoPage
	}
	key := fmt.Sprint(d.SHA256, " ", page)
	if l, ok := s.leaves.get(key); ok {
		return l, nil
	}
	data, err := s.bytesOf(ctx, d.SHA256)
	if err != nil {
		return leaf{}, err
	}
	var l leaf
	switch d.Media {
	case mediaPNG, mediaJPEG:
		l, err = plainLeaf(d.Media, data)
	case mediaTIFF:
		l, err = tiffLeaf(data, page)
	case mediaPDF:
		l, err = s.pdf.leaf(ctx, data, page)
	default:
		err = errMedia
	}
	if err != nil {
		return leaf{}, err
	}
	s.leaves.put(key, l)
	return l, nil
}

// plainLeaf is a picture that browsers show as it is. It is not unpacked here.
func plainLeaf(media string, data []byte) (leaf, error) {
	decode := png.DecodeConfig
	if media == mediaJPEG {
		decode = jpeg.DecodeConfig
	}
	c, err := decode(bytes.NewReader(data))
	if err != nil {
		return leaf{}, errMedia
	}
	if err := checkSize(c); err != nil {
		return leaf{}, err
	}
	l := leaf{media, data, c.Width, c.Height}
	if media == mediaJPEG && turned(data) {
		l.width, l.height = c.Height, c.Width // as browsers show it
	}
	return l, nil
}

func checkSize(c image.Config) error {
	if c.Width < 1 || c.Height < 1 || c.Width > pixelLimit/c.Height {
		return &pictureError{wording.Said("a page of at most 36 million pixels"), wording.Said("%d by %d", c.Width, c.Height), wording.Said("scan it at 300 dots an inch or less")}
	}
	return nil
}

// pngLeaf serves what was unpacked as PNG; sharper pixels in one direction
// than in the other, as faxes have, are told by the size.
func pngLeaf(m image.Image, stretch func(w, h int) (int, int)) (leaf, error) {
	var b bytes.Buffer
	if err := (&png.Encoder{CompressionLevel: png.BestSpeed}).Encode(&b, m); err != nil {
		return leaf{}, fmt.Errorf("encoding a page: %w", err)
	}
	w, h := stretch(m.Bounds().Dx(), m.Bounds().Dy())
	return leaf{mediaPNG, b.Bytes(), w, h}, nil
}

// leaves keeps the pictures made last, so that nobody waits twice.
type leaves struct {
	mu    sync.Mutex
	order []string
	kept  map[string]leaf
	size  int
}

const leavesKept = 32 << 20 // bytes

func (k *leaves) get(key string) (leaf, bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	l, ok := k.kept[key]
	return l, ok
}

func (k *leaves) put(key string, l leaf) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if _, ok := k.kept[key]; ok || len(l.body) > leavesKept {
		return
	}
	for k.size+len(l.body) > leavesKept {
		k.size -= len(k.kept[k.order[0]].body)
		delete(k.kept, k.order[0])
		k.order = k.order[1:]
	}
	if k.kept == nil {
		k.kept = make(map[string]leaf)
	}
	k.order, k.kept[key], k.size = append(k.order, key), l, k.size+len(l.body)
}

// calm runs a decoder of somebody else's and makes an error of its panic.
func calm[T any](decode func() (T, error)) (out T, err error) {
	defer func() {
		if recover() != nil {
			err = errors.New("the decoder gave up")
		}
	}()
	return decode()
}
