package pictures

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"image/png"

	xdraw "golang.org/x/image/draw"
)

// The bounds of a picture.
const (
	// MostBytes is the largest that is taken: 8 MiB.
	MostBytes = 8 << 20
	// MostPixels is the most that are decoded: 40 million.
	MostPixels = 40_000_000
	// LongSide is the longest side that is kept, in pixels.
	LongSide = 2048
	// quality of the JPEG that is kept, of 100.
	quality = 85
)

// rendered is a picture as it is to be kept.
type rendered struct {
	jpeg          []byte
	width, height int
}

// render makes a picture anew.
func render(raw []byte) (rendered, error) {
	if len(raw) == 0 {
		return rendered{}, &Bad{"it is empty", "send a JPEG or a PNG"}
	}
	if len(raw) > MostBytes {
		return rendered{}, &Bad{fmt.Sprintf("it is %d bytes", len(raw)), fmt.Sprintf("send at most %d", MostBytes)}
	}
	src, turn, err := decode(raw)
	if err != nil {
		return rendered{}, err
	}
	upright := turned(scaled(src), turn)
	var out bytes.Buffer
	if err := jpeg.Encode(&out, upright, &jpeg.Options{Quality: quality}); err != nil {
		return rendered{}, fmt.Errorf("write the picture as JPEG: %w", err)
	}
	size := upright.Bounds()
	return rendered{out.Bytes(), size.Dx(), size.Dy()}, nil
}

// decode reads a picture and how it is to be turned. The pixels are counted
// before any is decoded.
func decode(raw []byte) (image.Image, orientation, error) {
	kind := sniff(raw)
	if kind == nil {
		return nil, 0, &Bad{"it is neither a JPEG nor a PNG", "send one of these"}
	}
	config, err := kind.config(bytes.NewReader(raw))
	if err != nil {
		return nil, 0, &Bad{"it can't be read: " + err.Error(), "send it again, or another"}
	}
	if config.Width < 1 || config.Height < 1 || int64(config.Width)*int64(config.Height) > MostPixels {
		return nil, 0, &Bad{fmt.Sprintf("it is %d by %d pixels", config.Width, config.Height), fmt.Sprintf("send at most %d million pixels", MostPixels/1_000_000)}
	}
	src, err := kind.decode(bytes.NewReader(raw))
	if err != nil {
		return nil, 0, &Bad{"it can't be read: " + err.Error(), "send it again, or another"}
	}
	if kind.exif {
		return src, orientationOf(raw), nil
	}
	return src, upright, nil
}

// format is a form of picture that is taken. Formats are not registered with the
// package image, so that no other can slip in by an import.
type format struct {
	magic  string
	config func(*bytes.Reader) (image.Config, error)
	decode func(*bytes.Reader) (image.Image, error)
	exif   bool
}

func sniff(raw []byte) *format {
	for _, f := range []format{
		{"\xff\xd8\xff", func(r *bytes.Reader) (image.Config, error) { return jpeg.DecodeConfig(r) }, func(r *bytes.Reader) (image.Image, error) { return jpeg.Decode(r) }, true},
		{"\x89PNG\r\n\x1a\n", func(r *bytes.Reader) (image.Config, error) { return png.DecodeConfig(r) }, func(r *bytes.Reader) (image.Image, error) { return png.Decode(r) }, false},
	} {
		if bytes.HasPrefix(raw, []byte(f.magic)) {
			return &f
		}
	}
	return nil
}

// scaled gives a picture of at most LongSide on white ground.
func scaled(src image.Image) *image.RGBA {
	b := src.Bounds()
	w, h := b.Dx(), b.Dy()
	if long := max(w, h); long > LongSide {
		w, h = max(w*LongSide/long, 1), max(h*LongSide/long, 1)
	}
	dst := image.NewRGBA(image.Rect(0, 0, w, h))
	draw.Draw(dst, dst.Bounds(), image.NewUniform(color.White), image.Point{}, draw.Src)
	xdraw.CatmullRom.Scale(dst, dst.Bounds(), src, b, xdraw.Over, nil)
	return dst
}

// turned gives a picture upright.
func turned(src *image.RGBA, o orientation) *image.RGBA {
	if o == upright {
		return src
	}
	w, h := src.Bounds().Dx(), src.Bounds().Dy()
	if o.swaps() {
		w, h = h, w
	}
	dst := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			sx, sy := o.from(x, y, w, h)
			dst.SetRGBA(x, y, src.RGBAAt(sx, sy))
		}
	}
	return dst
}
