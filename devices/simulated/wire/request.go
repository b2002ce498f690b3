package wire

import (
	"fmt"
	"io"
	"regexp"
	"strconv"
	"strings"
)

// readRequest reads four hex digits and as many bytes.
func readRequest(r io.Reader) (string, error) {
	var digits [4]byte
	if _, err := io.ReadFull(r, digits[:]); err != nil {
		return "", err
	}
	n, err := strconv.ParseUint(string(digits[:]), 16, 16)
	if err != nil {
		return "", fmt.Errorf("request length %q is not four hex digits", digits)
	}
	request := make([]byte, n)
	if _, err := io.ReadFull(r, request); err != nil {
		return "", err
	}
	return string(request), nil
}

// parseHost splits a request to the server itself into the phone that it is for and the
// verb. ok is false for a service of a phone.
func parseHost(request string) (t target, verb string, ok bool) {
	t.kind = "any"
	if rest, ok := strings.CutPrefix(request, "host:"); ok {
		return t, rest, true
	}
	if rest, ok := strings.CutPrefix(request, "host-usb:"); ok {
		return target{kind: "usb"}, rest, true
	}
	if rest, ok := strings.CutPrefix(request, "host-local:"); ok {
		return target{kind: "local"}, rest, true
	}
	if rest, ok := strings.CutPrefix(request, "host-transport-id:"); ok {
		digits, verb, cut := strings.Cut(rest, ":")
		id, err := strconv.ParseUint(digits, 10, 64)
		if cut && err == nil && id != 0 {
			return target{id: id}, verb, true
		}
		return t, "", true
	}
	if rest, ok := strings.CutPrefix(request, "host-serial:"); ok {
		serial, verb := cutSerial(rest)
		if serial == "" {
			return t, "", true
		}
		return target{serial: serial}, verb, true
	}
	return target{}, "", false
}

var serialWithPort = regexp.MustCompile(`^((?:tcp:|udp:)?(?:\[[^\]]*\]|[^:]+):\d+|(?:usb|product|model|device):[^:]*):`)

// cutSerial splits "SERIAL:verb", where a serial number may be host:port.
func cutSerial(s string) (serial, verb string) {
	if m := serialWithPort.FindStringSubmatch(s); m != nil {
		return m[1], s[len(m[0]):]
	}
	serial, verb, _ = strings.Cut(s, ":")
	return serial, verb
}
