package local

import (
	"fmt"

	"github.com/klauspost/compress/zstd"
)

// unpackLimit bounds what a packed piece may unpack to: more than the largest
// block or fold that is ever packed.
const unpackLimit = 128 << 20

// packer packs with zstd (RFC 8878). It is safe for concurrent use.
type packer struct {
	enc *zstd.Encoder
	dec *zstd.Decoder
}

func newPacker() (*packer, error) {
	// The fastest level: the slower ones gain 2 to 5 % and take up to ten times as long.
	enc, err := zstd.NewWriter(nil, zstd.WithEncoderLevel(zstd.SpeedFastest), zstd.WithEncoderConcurrency(2),
		zstd.WithLowerEncoderMem(true), zstd.WithWindowSize(1<<20))
	if err != nil {
		return nil, fmt.Errorf("make the packer: %w", err)
	}
	dec, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(2), zstd.WithDecoderMaxMemory(unpackLimit), zstd.WithDecoderLowmem(true))
	if err != nil {
		return nil, fmt.Errorf("make the unpacker: %w", err)
	}
	return &packer{enc, dec}, nil
}

func (p *packer) close() { p.dec.Close() }

// pack appends src, packed, to dst.
func (p *packer) pack(dst, src []byte) []byte { return p.enc.EncodeAll(src, dst) }

// unpack appends the unpacked form of src, which must be size bytes, to dst.
func (p *packer) unpack(dst, src []byte, size uint64) ([]byte, error) {
	if size > unpackLimit {
		return dst, fmt.Errorf("unpack: %d bytes said, at most %d are allowed", size, unpackLimit)
	}
	start := len(dst)
	out, err := p.dec.DecodeAll(src, dst)
	if err != nil {
		return dst, fmt.Errorf("unpack: %w", err)
	}
	if uint64(len(out)-start) != size {
		return dst, fmt.Errorf("unpack: %d bytes, %d were said", len(out)-start, size)
	}
	return out, nil
}

// codec packs the blocks of the journal's sealed segments. Taking the records
// apart into columns as history blocks do gains a tenth here, where each block
// holds many machines: not worth its code.
type codec struct{ p *packer }

// Name implements seglog.Codec.
func (codec) Name() string { return "zstd" }

// Compress implements seglog.Codec.
func (c codec) Compress(dst, src []byte) ([]byte, error) { return c.p.pack(dst, src), nil }

// Decompress implements seglog.Codec.
func (c codec) Decompress(dst, src []byte, size int) ([]byte, error) {
	return c.p.unpack(dst, src, uint64(size))
}
