package adb

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"testing/iotest"
)

// FuzzReply: a reply is read the same in one piece or byte by byte, and what was read,
// written again, is the beginning of the input: nothing is invented, nothing is skipped.
func FuzzReply(f *testing.F) {
	f.Add([]byte("OKAY00040029"))
	f.Add([]byte("OKAY0000"))
	f.Add([]byte("FAIL000edevice offline"))
	f.Add([]byte("FAIL00"))
	f.Add([]byte("OKAYffff"))
	f.Add([]byte("OKAY-001"))
	f.Fuzz(func(t *testing.T, b []byte) {
		read := func(r io.Reader) (string, error) {
			if err := readStatus(r); err != nil {
				return "", err
			}
			return readString(r)
		}
		text, err := read(bytes.NewReader(b))
		slow, slowErr := read(iotest.OneByteReader(bytes.NewReader(b)))
		if text != slow || fmt.Sprint(err) != fmt.Sprint(slowErr) {
			t.Fatalf("%q: %q, %v in one piece; %q, %v byte by byte", b, text, err, slow, slowErr)
		}
		var fail *failure
		again := ""
		switch {
		case err == nil:
			again = fmt.Sprintf("OKAY%04x%s", len(text), text)
		case errors.As(err, &fail):
			again = fmt.Sprintf("FAIL%04x%s", len(fail.text), fail.text)
		default:
			return
		}
		if len(again) > len(b) || !strings.EqualFold(again[:8], string(b[:8])) || again[8:] != string(b[8:len(again)]) {
			t.Errorf("%q was read as %q", b, again)
		}
	})
}

// FuzzDevice: a row that could be read, written in the server's form and read again, says
// the same.
func FuzzDevice(f *testing.F) {
	f.Add("PHONE1                 device usb:1-4 product:alpha model:Alpha_One device:alpha1 transport_id:1")
	f.Add("(no serial number)     no permissions (user in plugdev group; are your udev rules wrong?); see [http://developer.android.com/tools/device.html] usb:1-7 transport_id:6")
	f.Add("0123 456 789           recovery usb:2-2 transport_id:9")
	f.Add("PHONE6\tsideload")
	f.Add("no permissions no permissions")
	f.Fuzz(func(t *testing.T, line string) {
		if strings.ContainsAny(line, "\r\n") {
			return // a row is one line
		}
		d, err := parseDevice(line)
		if err != nil {
			return
		}
		if d.State == "" {
			t.Fatalf("%q: a row without a state was taken: %+v", line, d)
		}
		serial := d.Serial
		if serial == "" {
			serial = noSerial
		}
		row := fmt.Sprintf("%-22s %s", serial, d.StateText)
		for _, w := range []struct{ key, value string }{{"", d.USB}, {"product:", d.Product}, {"model:", d.Model}, {"device:", d.DeviceName}} {
			if w.value != "" {
				row += " " + w.key + w.value
			}
		}
		if d.TransportID != 0 {
			row += fmt.Sprint(" transport_id:", d.TransportID)
		}
		back, err := parseDevice(row)
		if err != nil || back != d {
			t.Errorf("%q = %+v; written as %q and read again = %+v, %v", line, d, row, back, err)
		}
	})
}

// FuzzShellPackets: an exit code is known only from an exit packet, the output is no
// longer than the input, and pieces of any size read the same.
func FuzzShellPackets(f *testing.F) {
	f.Add([]byte(packet(1, "a") + packet(2, "b") + packet(3, "\x05")))
	f.Add([]byte(packet(1, "a")))
	f.Add([]byte("\x01\xff\xff\xff\xffabc"))
	f.Add([]byte(packet(3, "")))
	f.Fuzz(func(t *testing.T, b []byte) {
		var out, errs, slowOut, slowErrs bytes.Buffer
		code, err := readPackets(bytes.NewReader(b), &out, &errs)
		slow, slowErr := readPackets(iotest.OneByteReader(bytes.NewReader(b)), &slowOut, &slowErrs)
		if code != slow || fmt.Sprint(err) != fmt.Sprint(slowErr) || !bytes.Equal(out.Bytes(), slowOut.Bytes()) || !bytes.Equal(errs.Bytes(), slowErrs.Bytes()) {
			t.Fatalf("%q reads differently byte by byte: %d, %v, %q, %q", b, slow, slowErr, &slowOut, &slowErrs)
		}
		if out.Len()+errs.Len() > len(b) {
			t.Errorf("%d bytes gave %d of output", len(b), out.Len()+errs.Len())
		}
		if err == nil && !bytes.Contains(b, []byte(packet(3, string([]byte{byte(code)})))) {
			t.Errorf("%q: code %d without an exit packet that says so", b, code)
		}
	})
}

// FuzzMarked: whatever a command writes, in whatever pieces, comes out of the old shell
// service unchanged with its exit code; and a stream cut anywhere is no success.
func FuzzMarked(f *testing.F) {
	f.Add([]byte("hello\n"), byte(0), uint16(3))
	f.Add([]byte("no line feed"), byte(255), uint16(40))
	f.Add([]byte("rundown-end-MARK rundown-end-MARK 1"), byte(7), uint16(12))
	f.Add([]byte("rundown-end-rundown-end-MARK 12345\n"), byte(7), uint16(50))
	f.Fuzz(func(t *testing.T, output []byte, code byte, at uint16) {
		const marker = "rundown-end-MARK"
		for _, end := range []string{"\n", "\r\n"} {
			stream := append(bytes.Clone(output), fmt.Sprintf("%s %d%s", marker, code, end)...)
			for _, r := range []io.Reader{bytes.NewReader(stream), iotest.OneByteReader(bytes.NewReader(stream)), iotest.DataErrReader(bytes.NewReader(stream))} {
				var got bytes.Buffer
				n, err := readMarked(r, marker, &got)
				// Output that itself ends a line with the marker and a number is the end: a
				// real marker is random, so no command can write it.
				if bytes.Contains(output, []byte(marker)) {
					continue
				}
				if err != nil || n != int(code) || !bytes.Equal(got.Bytes(), output) {
					t.Errorf("%q = %d, %v, %q; want %d and %q", stream, n, err, got.Bytes(), code, output)
				}
			}
			cutAt := min(int(at), len(stream)-1)
			if _, err := readMarked(bytes.NewReader(stream[:cutAt]), marker, io.Discard); err == nil && !bytes.Contains(output, []byte(marker)) {
				t.Errorf("%q cut to %d bytes is a success", stream, cutAt)
			}
		}
	})
}

// FuzzSync: replies of the file service give no more bytes than they hold, the same in
// pieces of any size, and skipping drops exactly the first bytes.
func FuzzSync(f *testing.F) {
	reply := func(id string, n int, data string) string {
		return string(binary.LittleEndian.AppendUint32([]byte(id), uint32(n))) + data
	}
	f.Add([]byte(reply("DATA", 3, "abc")+reply("DATA", 2, "de")+reply("DONE", 0, "")), uint8(4))
	f.Add([]byte(reply("DATA", 3, "ab")), uint8(0))
	f.Add([]byte(reply("FAIL", 4, "gone")), uint8(0))
	f.Add([]byte(reply("STAT", 33188, "sizetime")), uint8(0))
	f.Add([]byte(reply("STA2", 0, strings.Repeat("\x00\x81", 32))), uint8(0))
	f.Fuzz(func(t *testing.T, b []byte, skip uint8) {
		var all, some, slow bytes.Buffer
		n, err := receiveFile(bytes.NewReader(b), 0, &all)
		m, skipErr := receiveFile(bytes.NewReader(b), int64(skip), &some)
		_, slowErr := receiveFile(iotest.OneByteReader(bytes.NewReader(b)), 0, &slow)
		if n != int64(all.Len()) || m != int64(some.Len()) || all.Len() > len(b) {
			t.Errorf("%q: %d and %d bytes counted, %d and %d written", b, n, m, all.Len(), some.Len())
		}
		if !bytes.Equal(some.Bytes(), all.Bytes()[min(int(skip), all.Len()):]) || !bytes.Equal(slow.Bytes(), all.Bytes()) {
			t.Errorf("%q: %q whole, %q after skipping %d, %q byte by byte", b, &all, &some, skip, &slow)
		}
		if fmt.Sprint(err) != fmt.Sprint(skipErr) || fmt.Sprint(err) != fmt.Sprint(slowErr) {
			t.Errorf("%q: errors differ: %v, %v, %v", b, err, skipErr, slowErr)
		}
		for id, read := range map[string]func(io.Reader) (size int64, err error){
			"STAT": func(r io.Reader) (int64, error) { f, err := readStat1(r); return f.Size, err },
			"STA2": func(r io.Reader) (int64, error) { f, err := readStat2(r); return f.Size, err },
			"OKAY": func(r io.Reader) (int64, error) { return 0, readSyncStatus(r) },
		} {
			if size, err := read(bytes.NewReader(b)); err == nil && (!bytes.HasPrefix(b, []byte(id)) || size < 0) {
				t.Errorf("%q was taken for %s, size %d", b, id, size)
			}
		}
	})
}
