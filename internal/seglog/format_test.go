package seglog_test

import (
	"encoding/binary"
	"encoding/hex"
	"hash/crc32"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/seglog"
	"github.com/hourbell/hourbell/internal/seglog/seglogtest"
)

func sealHeader(b []byte) {
	binary.LittleEndian.PutUint32(b[28:], crc32.Checksum(b[:28], crc32.MakeTable(crc32.Castagnoli)))
}

// The bytes were worked out by hand from the package's doc with a bitwise CRC32C
// (reflected polynomial 0x82F63B78) outside Go.
func TestFormat(t *testing.T) {
	fs := seglogtest.New(root)
	l, _, err := seglog.Open(dir, seglog.Options{FS: fs})
	require.NoError(t, err)
	_, err = l.Append([][]byte{[]byte("123456789"), {}})
	require.NoError(t, err)
	require.NoError(t, l.Close())
	require.Equal(t, formatWant, hex.EncodeToString(fs.Bytes(filepath.Join(dir, "00000000000000000001.seg"))))
}

const formatWant = "68627365676c6f670100000000000000010000000000000000000000282ed05f0d32eb317d3132333435363738390462f36e3c01030000000000000000000000d1e11bdf"
