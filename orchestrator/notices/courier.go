package notices

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log"
	"os"
	"os/exec"
	"runtime"
	"time"

	"github.com/nicholas-fedor/shoutrrr/pkg/router"
)

// The library that speaks to chat services knows no context, and some of its services no
// limit: a message that hangs would stay for as long as the daemon lives. So each message is
// taken by a process of its own, this program once more, which is killed when its time is
// over. What it is to send, and the secret, reach it through a pipe.

// courierVariable tells a process that it is a courier.
const courierVariable = "RUNDOWN_COURIER"

// A job is what a courier is told.
type job struct {
	Address string        `json:"address"`
	Text    string        `json:"text"`
	Limit   time.Duration `json:"limit_ns"`
}

// A returned is what a courier says: nothing, or why the message did not go out.
type returned struct {
	Error    string `json:"error,omitempty"`
	TimedOut bool   `json:"timed_out,omitempty"`
}

// Courier carries one message and ends the process, if that is what the process was started
// for; otherwise it returns at once. A program that sends notices calls it before anything
// else.
func Courier() {
	if os.Getenv(courierVariable) == "" {
		return
	}
	var e job
	if err := json.NewDecoder(os.Stdin).Decode(&e); err != nil {
		os.Exit(1)
	}
	time.AfterFunc(e.Limit, func() { os.Exit(1) }) // also where the daemon has died
	var r returned
	if err := e.send(); err != nil {
		r.Error, r.TimedOut = err.Error(), errors.Is(err, router.ErrServiceTimeout)
	}
	if err := json.NewEncoder(os.Stdout).Encode(r); err != nil {
		os.Exit(1)
	}
	os.Exit(0)
}

func (e job) send() error {
	service, err := router.New(log.New(io.Discard, "", 0), e.Address) // its log may hold the address
	if err != nil {
		return err
	}
	service.Timeout = e.Limit
	return errors.Join(service.Send(e.Text, nil)...)
}

// errNoWord means that the courier ended without saying what became of the message.
var errNoWord = errors.New("what sends it ended without a word")

// carry has a courier send a text. It returns when the courier has ended, at the latest soon
// after ctx. context.DeadlineExceeded, context.Canceled and errNoWord leave open whether the
// message went out.
func carry(ctx context.Context, address, text string) error {
	if os.Getenv(courierVariable) != "" {
		return errors.New("a courier sends no courier") // this program does not call Courier
	}
	program := "/proc/self/exe" // also after an update has put another file in its place
	if runtime.GOOS != "linux" {
		var err error
		if program, err = os.Executable(); err != nil {
			return err
		}
	}
	told, err := json.Marshal(job{address, text, left(ctx)})
	if err != nil {
		return err
	}
	cmd := exec.CommandContext(ctx, program)
	cmd.Args = os.Args[:1]
	cmd.Env = append(os.Environ(), courierVariable+"=1")
	cmd.WaitDelay = time.Second
	var said bytes.Buffer
	cmd.Stdin, cmd.Stdout = bytes.NewReader(told), &said
	switch err := cmd.Run(); {
	case ctx.Err() != nil:
		return ctx.Err()
	case err != nil:
		return fmt.Errorf("%w (%w)", errNoWord, err)
	}
	var r returned
	if err := json.Unmarshal(said.Bytes(), &r); err != nil {
		return errNoWord
	}
	switch {
	case r.TimedOut:
		return context.DeadlineExceeded
	case r.Error != "":
		return errors.New(r.Error)
	}
	return nil
}
