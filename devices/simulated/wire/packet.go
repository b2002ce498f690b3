package wire

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
)

// Commands of the device transport.
const (
	cmdCNXN = 0x4e584e43
	cmdAUTH = 0x48545541
	cmdOPEN = 0x4e45504f
	cmdOKAY = 0x59414b4f
	cmdWRTE = 0x45545257
	cmdCLSE = 0x45534c43
)

const (
	versionSums    = 0x01000000 // each payload carries its byte sum
	versionNoSums  = 0x01000001
	leastMaxdata   = 4096 // bytes; what every peer takes before it has said more
	defaultMaxdata = 1 << 20
	authToken      = 1
	authPublicKey  = 3
	tokenLen       = 20 // bytes
	headerLen      = 24 // bytes
)

var (
	errBadMagic = errors.New("packet header is damaged")
	errBadSum   = errors.New("packet payload does not match its sum")
)

// A packet is one message of the device transport.
type packet struct {
	command, arg0, arg1 uint32
	data                []byte
	sum                 uint32 // as received; computed when sent
}

func byteSum(p []byte) (sum uint32) {
	for _, b := range p {
		sum += uint32(b)
	}
	return sum
}

// readPacket reads one packet with a payload of at most most bytes.
func readPacket(r io.Reader, most uint32) (packet, error) {
	var head [headerLen]byte
	if _, err := io.ReadFull(r, head[:]); err != nil {
		return packet{}, err
	}
	field := func(i int) uint32 { return binary.LittleEndian.Uint32(head[4*i:]) }
	p := packet{command: field(0), arg0: field(1), arg1: field(2), sum: field(4)}
	if field(5) != ^p.command {
		return packet{}, errBadMagic
	}
	size := field(3)
	if size > most {
		return packet{}, fmt.Errorf("packet payload of %d bytes, at most %d agreed", size, most)
	}
	p.data = make([]byte, size)
	if _, err := io.ReadFull(r, p.data); err != nil {
		return packet{}, err
	}
	return p, nil
}

// append adds the packet's bytes to buf, with its sum or with 0.
func (p packet) append(buf []byte, sums bool) []byte {
	var sum uint32
	if sums {
		sum = byteSum(p.data)
	}
	for _, v := range []uint32{p.command, p.arg0, p.arg1, uint32(len(p.data)), sum, ^p.command} {
		buf = binary.LittleEndian.AppendUint32(buf, v)
	}
	return append(buf, p.data...)
}
