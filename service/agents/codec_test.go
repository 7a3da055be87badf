package agents

import (
	"bytes"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/mem"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// alike fails where the shorter way gives other than the general one, and reports
// whether it was taken.
func alike(t require.TestingT, b []byte) bool {
	c := newCodec()
	var want, got pb.ConnectRequest
	wantErr := c.CodecV2.Unmarshal(mem.BufferSlice{mem.SliceBuffer(b)}, &want)
	half := len(b) / 2 // gRPC hands a message over in pieces
	gotErr := c.Unmarshal(mem.BufferSlice{mem.SliceBuffer(b[:half]), mem.SliceBuffer(b[half:])}, &got)
	require.Equal(t, wantErr == nil, gotErr == nil, "%x: %v, %v", b, wantErr, gotErr)
	require.True(t, wantErr != nil || proto.Equal(&want, &got), "%x", b)
	return quickBatch(bytes.Clone(b)) != nil
}

func batchBytes(t testing.TB, b *pb.Batch) []byte {
	out, err := proto.Marshal(&pb.ConnectRequest{Message: &pb.ConnectRequest_Batch{Batch: b}})
	require.NoError(t, err)
	return out
}

func plainBatch() *pb.Batch {
	return &pb.Batch{FirstSequence: 300, PreviousHash: bytes.Repeat([]byte{7}, 32), Events: [][]byte{[]byte("one"), []byte("two"), bytes.Repeat([]byte("x"), 300)}}
}

func TestBatchesAreTakenApartInPlace(t *testing.T) {
	require.True(t, alike(t, batchBytes(t, plainBatch())))
	require.True(t, alike(t, batchBytes(t, &pb.Batch{Events: [][]byte{{1}}})))
	require.True(t, alike(t, batchBytes(t, &pb.Batch{FirstSequence: 1, Events: [][]byte{{}, {1}}})))
	got := quickBatch(batchBytes(t, plainBatch()))
	require.True(t, proto.Equal(plainBatch(), got))
	_ = append(got.Events[0], "not over the next"...)
	require.Equal(t, "two", string(got.Events[1]))
}

// What is out of the ordinary, or cut, comes out as if there were no shorter way.
func TestOddBatches(t *testing.T) {
	plain := batchBytes(t, plainBatch())
	wrap := func(inner []byte) []byte {
		return protowire.AppendBytes([]byte{tag(requestBatch, protowire.BytesType)}, inner)
	}
	inner, err := proto.Marshal(plainBatch())
	require.NoError(t, err)
	thinned := plainBatch()
	thinned.Thinned = []*pb.ThinnedRun{{Count: 1, HashAfter: []byte{1}}}
	boots := plainBatch()
	boots.Boots = []*pb.BootClock{{Boot: 1}}
	hello, err := proto.Marshal(&pb.ConnectRequest{Message: &pb.ConnectRequest_Hello{Hello: &pb.AgentHello{Revision: 1}}})
	require.NoError(t, err)
	for name, b := range map[string][]byte{
		"nothing":                  {},
		"a hello":                  hello,
		"cut":                      plain[:len(plain)-1],
		"an event longer than all": wrap([]byte{tag(batchEvents, protowire.BytesType), 9, 1}),
		"no events":                batchBytes(t, &pb.Batch{FirstSequence: 1, PreviousHash: []byte{1}}),
		"thinned runs":             batchBytes(t, thinned),
		"boots":                    batchBytes(t, boots),
		"two messages":             append(bytes.Clone(plain), hello...),
		"the batch twice":          append(bytes.Clone(plain), plain...),
		"an unknown field":         append(bytes.Clone(plain), 0xf8, 0x07, 1),
		"an unknown field in it":   wrap(append(bytes.Clone(inner), 0xf8, 0x07, 1)),
		"another order":            wrap(append(bytes.Clone(inner), 0x08, 5)),
		"half a number":            wrap([]byte{0x08, 0x80}),
	} {
		require.False(t, alike(t, b), name)
	}
}

func FuzzBatch(f *testing.F) {
	f.Add(batchBytes(f, plainBatch()))
	f.Add(batchBytes(f, &pb.Batch{Events: [][]byte{{}}, Boots: []*pb.BootClock{{Boot: 1}}}))
	f.Add([]byte{0x12, 0x00})
	f.Fuzz(func(t *testing.T, b []byte) { alike(t, b) })
}
