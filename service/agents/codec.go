package agents

import (
	"google.golang.org/grpc/encoding"
	grpcproto "google.golang.org/grpc/encoding/proto"
	"google.golang.org/grpc/mem"
	"google.golang.org/protobuf/encoding/protowire"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// codec is gRPC's own for protobuf, with a shorter way for what nearly all traffic
// is: a batch of events is taken apart in place, so that all its events share one
// piece of memory in place of one each. What comes out is the same, which a fuzz
// test holds it to; whatever is out of the ordinary goes the general way.
type codec struct{ encoding.CodecV2 }

func newCodec() codec { return codec{encoding.GetCodecV2(grpcproto.Name)} }

// Unmarshal implements encoding.CodecV2.
func (c codec) Unmarshal(data mem.BufferSlice, v any) error {
	if m, is := v.(*pb.ConnectRequest); is {
		if batch := quickBatch(data.Materialize()); batch != nil {
			m.Reset()
			m.Message = &pb.ConnectRequest_Batch{Batch: batch}
			return nil
		}
	}
	return c.CodecV2.Unmarshal(data, v)
}

// Field numbers of hourbell.v1.ConnectRequest and hourbell.v1.Batch.
const (
	requestBatch protowire.Number = 2

	batchFirst    protowire.Number = 1
	batchPrevious protowire.Number = 2
	batchEvents   protowire.Number = 3
)

// quickBatch takes a ConnectRequest apart that is a batch of events and nothing
// else: its fields in order, no thinned runs, no boots. nil: it is not that. The
// batch keeps b.
func quickBatch(b []byte) *pb.Batch {
	body, rest := bytesField(b, requestBatch)
	if body == nil || len(rest) > 0 {
		return nil
	}
	m := &pb.Batch{}
	if len(body) > 0 && body[0] == tag(batchFirst, protowire.VarintType) {
		v, n := protowire.ConsumeVarint(body[1:])
		if n < 0 {
			return nil
		}
		m.FirstSequence, body = v, body[1+n:]
	}
	if previous, rest := bytesField(body, batchPrevious); previous != nil {
		m.PreviousHash, body = previous, rest
	}
	n := countFields(body, batchEvents)
	if n <= 0 {
		return nil
	}
	m.Events = make([][]byte, n)
	for i := range m.Events {
		m.Events[i], body = bytesField(body, batchEvents)
	}
	return m
}

// countFields counts the fields of bytes that b is made of, -1 where it is made of
// others too.
func countFields(b []byte, num protowire.Number) (n int) {
	for ; len(b) > 0; n++ {
		var v []byte
		if v, b = bytesField(b, num); v == nil {
			return -1
		}
	}
	return n
}

// bytesField takes a field of bytes off the front of b, nil where b does not begin
// with it.
func bytesField(b []byte, num protowire.Number) (v, rest []byte) {
	if len(b) < 2 || b[0] != tag(num, protowire.BytesType) {
		return nil, b
	}
	v, n := protowire.ConsumeBytes(b[1:])
	if n < 0 {
		return nil, b
	}
	return v[:len(v):len(v)], b[1+n:]
}

func tag(num protowire.Number, t protowire.Type) byte { return byte(num<<3) | byte(t) }
