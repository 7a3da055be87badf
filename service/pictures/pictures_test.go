package pictures

import (
	"bytes"
	"encoding/binary"
	"errors"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// marked is a picture whose upper left quarter is red and whose rest is blue.
func marked(w, h int) *image.RGBA {
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			c := color.RGBA{B: 255, A: 255}
			if x < w/2 && y < h/2 {
				c = color.RGBA{R: 255, A: 255}
			}
			m.SetRGBA(x, y, c)
		}
	}
	return m
}

func jpegOf(t *testing.T, m image.Image) []byte {
	var b bytes.Buffer
	require.NoError(t, jpeg.Encode(&b, m, &jpeg.Options{Quality: 95}))
	return b.Bytes()
}

func pngOf(t *testing.T, m image.Image) []byte {
	var b bytes.Buffer
	require.NoError(t, png.Encode(&b, m))
	return b.Bytes()
}

// withExif puts an Exif segment with an orientation and a text that stands for
// a place behind a JPEG's first marker.
func withExif(jpeg []byte, order binary.AppendByteOrder, mark string, turn uint16) []byte {
	tiff := []byte(mark)
	tiff = order.AppendUint32(tiff, 8)
	tiff = order.AppendUint16(tiff, 2)
	tiff = order.AppendUint16(tiff, 0x010e) // a text before it
	tiff = order.AppendUint16(tiff, 2)
	tiff = order.AppendUint32(tiff, 4)
	tiff = append(tiff, "fen\x00"...)
	tiff = order.AppendUint16(tiff, 0x0112)
	tiff = order.AppendUint16(tiff, 3)
	tiff = order.AppendUint32(tiff, 1)
	tiff = order.AppendUint16(tiff, turn)
	tiff = append(tiff, 0, 0)
	tiff = append(tiff, "\x00\x00\x00\x00 tallow fen, behind the barn"...)
	segment := append([]byte("Exif\x00\x00"), tiff...)
	out := append([]byte{}, jpeg[:2]...)
	out = append(out, 0xff, 0xe1)
	out = binary.BigEndian.AppendUint16(out, uint16(len(segment)+2))
	return append(append(out, segment...), jpeg[2:]...)
}

func open(t *testing.T, most int64) *Store {
	s, err := Open(Options{Dir: filepath.Join(t.TempDir(), "pictures"), Most: most})
	require.NoError(t, err)
	return s
}

func TestAPictureIsKeptOnceByItsContent(t *testing.T) {
	s := open(t, 0)
	p, had, err := s.Put(t.Context(), "skell-3", pngOf(t, marked(60, 40)))
	require.NoError(t, err)
	assert.False(t, had)
	assert.Equal(t, [2]int{60, 40}, [2]int{p.Width, p.Height})
	again, had, err := s.Put(t.Context(), "skell-3", pngOf(t, marked(60, 40)))
	require.NoError(t, err)
	assert.True(t, had)
	assert.Equal(t, p, again)
	got, b, err := s.Get("skell-3", p.Sum)
	require.NoError(t, err)
	assert.Equal(t, p, got)
	assert.Len(t, b, int(p.Bytes))
	_, _, err = s.Get("skell-4", p.Sum)
	assert.ErrorIs(t, err, ErrNone, "another's picture is not there")
	assert.False(t, s.Has("skell-4", p.Sum))
	assert.True(t, s.Has("skell-3", p.Sum))
}

func TestLargePicturesAreScaledOnTheirLongSide(t *testing.T) {
	for _, c := range []struct{ w, h, wantW, wantH int }{{4096, 1024, 2048, 512}, {300, 3000, 204, 2048}, {2048, 2048, 2048, 2048}, {7, 5, 7, 5}, {8000, 1, 2048, 1}} {
		made, err := render(pngOf(t, image.NewGray(image.Rect(0, 0, c.w, c.h))))
		require.NoError(t, err)
		assert.Equal(t, [2]int{c.wantW, c.wantH}, [2]int{made.width, made.height}, "%d by %d", c.w, c.h)
	}
}

// TestOrientationIsHonoured: where the red quarter of what is stored is seen, by
// the table of Exif 2.3, tag 274.
func TestOrientationIsHonoured(t *testing.T) {
	const left, right, top, bottom = 0, 1, 0, 1
	want := map[uint16][2]int{1: {left, top}, 2: {right, top}, 3: {right, bottom}, 4: {left, bottom}, 5: {left, top}, 6: {right, top}, 7: {right, bottom}, 8: {left, bottom}}
	stored := jpegOf(t, marked(64, 32))
	for turn, corner := range want {
		for _, order := range []struct {
			o    binary.AppendByteOrder
			mark string
		}{{binary.LittleEndian, "II*\x00"}, {binary.BigEndian, "MM\x00*"}} {
			made, err := render(withExif(stored, order.o, order.mark, turn))
			require.NoError(t, err)
			m, err := jpeg.Decode(bytes.NewReader(made.jpeg))
			require.NoError(t, err)
			w, h := m.Bounds().Dx(), m.Bounds().Dy()
			wantW, wantH := 64, 32
			if turn >= 5 {
				wantW, wantH = 32, 64
			}
			require.Equal(t, [2]int{wantW, wantH}, [2]int{w, h}, "orientation %d", turn)
			for cx := range 2 {
				for cy := range 2 {
					r, _, b, _ := m.At(w/4+cx*w/2, h/4+cy*h/2).RGBA()
					assert.Equal(t, [2]int{cx, cy} == corner, r > b, "orientation %d %s, corner %d %d", turn, order.mark[:2], cx, cy)
				}
			}
		}
	}
}

func TestOrientationsOutOfFormAreUpright(t *testing.T) {
	stored := jpegOf(t, marked(8, 8))
	assert.Equal(t, upright, orientationOf(stored))
	for _, turn := range []uint16{0, 9, 65535} {
		assert.Equal(t, upright, orientationOf(withExif(stored, binary.BigEndian, "MM\x00*", turn)))
	}
	whole := withExif(stored, binary.LittleEndian, "II*\x00", 6)
	assert.Equal(t, orientation(6), orientationOf(whole))
	for n := 2; n < 80; n++ {
		_ = orientationOf(whole[:n]) // cut anywhere it must not fail
	}
	for _, tiff := range []string{"", "II*\x00", "XX*\x00\x08\x00\x00\x00", "II*\x00\xff\xff\xff\xff", "II*\x00\x08\x00\x00\x00\xff\xff"} {
		assert.Equal(t, upright, turnOf([]byte(tiff)), "%q", tiff)
	}
}

func TestNothingThatTheCameraWroteIsKept(t *testing.T) {
	s := open(t, 0)
	raw := withExif(jpegOf(t, marked(40, 40)), binary.BigEndian, "MM\x00*", 6)
	require.Contains(t, string(raw), "behind the barn")
	p, _, err := s.Put(t.Context(), "skell-3", raw)
	require.NoError(t, err)
	_, b, err := s.Get("skell-3", p.Sum)
	require.NoError(t, err)
	assert.NotContains(t, string(b), "Exif")
	assert.NotContains(t, string(b), "behind the barn")
}

func TestWhatIsNoPictureIsRefused(t *testing.T) {
	s := open(t, 0)
	good := pngOf(t, marked(8, 8))
	wide := pngOf(t, image.NewGray(image.Rect(0, 0, 1, 1)))
	binary.BigEndian.PutUint32(wide[16:], 8000) // width and height of the header; its sum is wrong too
	binary.BigEndian.PutUint32(wide[20:], 8000)
	for name, raw := range map[string][]byte{
		"empty": nil, "text": []byte("belt"), "a GIF": []byte("GIF89a\x01\x00\x01\x00"), "cut": good[:len(good)/2], "too large": append(good, make([]byte, MostBytes)...), "damaged head": wide,
	} {
		_, _, err := s.Put(t.Context(), "skell-3", raw)
		var bad *Bad
		assert.ErrorAs(t, err, &bad, name)
	}
	_, _, err := s.Put(t.Context(), "../skell", good)
	assert.ErrorContains(t, err, "can't own")
}

// TestPixelsAreCountedBeforeAnyIsDecoded: 6,400 by 6,400 is beyond 40 million, and
// only the head is there.
func TestPixelsAreCountedBeforeAnyIsDecoded(t *testing.T) {
	raw := pngOf(t, image.NewGray(image.Rect(0, 0, 6400, 6400)))
	_, err := render(raw[:40])
	assert.ErrorContains(t, err, "6400 by 6400 pixels")
	_, err = render(raw)
	assert.ErrorContains(t, err, "40 million")
}

func TestTheFolderIsBounded(t *testing.T) {
	s := open(t, 3000)
	var full *Full
	var err error
	for i := range 40 {
		m := marked(64, 64)
		m.SetRGBA(i, i, color.RGBA{G: 255, A: 255})
		if _, _, err = s.Put(t.Context(), "skell-3", pngOf(t, m)); err != nil {
			break
		}
	}
	require.ErrorAs(t, err, &full)
	var sum int64
	require.NoError(t, filepath.Walk(s.o.Dir, func(_ string, info os.FileInfo, err error) error {
		if err == nil && !info.IsDir() {
			sum += info.Size()
		}
		return err
	}))
	assert.Positive(t, sum)
	assert.LessOrEqual(t, sum, int64(3000))

	// Opened again it counts the same, and what was left half done is gone.
	half := filepath.Join(s.o.Dir, "skell-3", "half-1")
	require.NoError(t, os.WriteFile(half, []byte("x"), 0o600))
	again, err := Open(Options{Dir: s.o.Dir, Most: 3000})
	require.NoError(t, err)
	assert.Equal(t, sum, again.used)
	_, err = os.Stat(half)
	assert.ErrorIs(t, err, os.ErrNotExist)
}

func TestDamageIsSaid(t *testing.T) {
	s := open(t, 0)
	p, _, err := s.Put(t.Context(), "skell-3", pngOf(t, marked(8, 8)))
	require.NoError(t, err)
	path := s.path("skell-3", p.Sum)
	b, err := os.ReadFile(path)
	require.NoError(t, err)
	b[len(b)/2] ^= 1
	require.NoError(t, os.WriteFile(path, b, 0o600))
	_, _, err = s.Get("skell-3", p.Sum)
	assert.ErrorContains(t, err, "damaged")
	assert.False(t, errors.Is(err, ErrNone))
}

func FuzzRender(f *testing.F) {
	var b bytes.Buffer
	if err := jpeg.Encode(&b, marked(8, 8), nil); err != nil {
		f.Fatal(err)
	}
	f.Add(withExif(b.Bytes(), binary.BigEndian, "MM\x00*", 6))
	f.Add([]byte("\x89PNG\r\n\x1a\n"))
	f.Fuzz(func(t *testing.T, raw []byte) {
		made, err := render(raw)
		if err == nil && (made.width > LongSide || made.height > LongSide || len(made.jpeg) == 0) {
			t.Fatalf("%d by %d", made.width, made.height)
		}
	})
}
