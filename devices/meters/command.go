package meters

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"

	"rundown/devices"
)

// program makes a process that runs without a shell and is ended with its children.
func program(ctx context.Context, argv []string) *exec.Cmd {
	cmd := exec.CommandContext(ctx, argv[0], argv[1:]...)
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.Cancel = func() error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) }
	cmd.WaitDelay = time.Second
	return cmd
}

// Command is a program that is run for each reading and prints it; of several lines that
// it prints the last with values counts. It runs without a shell.
type Command struct {
	name  string
	argv  []string
	limit time.Duration
	parse parser

	mu     sync.Mutex
	values map[Quantity]float64 // of the last run, each to be read once
}

var _ Meter = (*Command)(nil)

// NewCommand returns a meter that runs argv, a program and its arguments. limit is how
// long it may take; 0 stands for 10 s.
func NewCommand(name string, argv []string, format LineFormat, limit time.Duration) (*Command, error) {
	if len(argv) == 0 || argv[0] == "" {
		return nil, fmt.Errorf("meter %s: no program is given", name)
	}
	p, err := format.parser()
	if err != nil {
		return nil, fmt.Errorf("meter %s: %w", name, err)
	}
	if limit <= 0 {
		limit = 10 * time.Second
	}
	return &Command{name: name, argv: slices.Clone(argv), limit: limit, parse: p}, nil
}

// Name implements Meter.
func (c *Command) Name() string { return c.name }

// Quantities implements Meter.
func (c *Command) Quantities() []Quantity { return slices.Clone(c.parse.all) }

// Close implements Meter.
func (c *Command) Close() error { return nil }

// Read implements Meter. Quantities that one run printed are read from that run, each
// once; a quantity that is read again runs the program again.
func (c *Command) Read(ctx context.Context, q Quantity) (float64, error) {
	if !slices.Contains(c.parse.all, q) {
		return 0, noQuantity(c.name, q)
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	v, ok := c.values[q]
	if !ok {
		values, err := c.run(ctx)
		if err != nil {
			return 0, fmt.Errorf("meter %s: %w", c.name, err)
		}
		c.values, v = values, values[q]
	}
	delete(c.values, q)
	return v, nil
}

// mostOutput is more than a program that prints a reading prints.
const mostOutput = 1 << 20

func (c *Command) run(ctx context.Context) (map[Quantity]float64, error) {
	limited, cancel := context.WithTimeout(ctx, c.limit)
	defer cancel()
	cmd := program(limited, c.argv)
	var out, said capped
	cmd.Stdout, cmd.Stderr = &out, &said
	err := cmd.Run()
	command := shorten(strings.Join(c.argv, " "))
	switch {
	case ctx.Err() != nil:
		return nil, ctx.Err()
	case limited.Err() != nil:
		return nil, fmt.Errorf("%w: program %q did not end within %s and was stopped", ErrSilent, command, devices.Lasting(c.limit))
	case err != nil && !errors.Is(err, exec.ErrWaitDelay):
		return nil, fmt.Errorf("program %q failed; it said %s: %w", command, quoted(strings.TrimSpace(said.String())), err)
	}
	text := out.String()
	text = text[:strings.LastIndexByte(text, '\n')+1] // a line without its end is cut short
	for _, line := range slices.Backward(strings.Split(text, "\n")) {
		if values, ok := c.parse.parse(strings.TrimSpace(line)); ok {
			return values, nil
		}
	}
	return nil, fmt.Errorf("program %q: %w: it printed %s", command, ErrNoNumber, quoted(strings.TrimSpace(out.String())))
}

// capped keeps the first bytes of an output.
type capped struct{ bytes.Buffer }

func (b *capped) Write(p []byte) (int, error) {
	if room := mostOutput - b.Len(); room > 0 {
		b.Buffer.Write(p[:min(room, len(p))])
	}
	return len(p), nil
}

// Program is a Source: a program that runs on and prints lines, without a shell. It is
// ended, with its children, when the meter is closed.
func Program(argv []string) Source {
	return func(context.Context) (io.ReadCloser, error) {
		if len(argv) == 0 || argv[0] == "" {
			return nil, errors.New("no program is given")
		}
		ctx, cancel := context.WithCancel(context.Background()) // ended by Close
		cmd := program(ctx, argv)
		out, err := cmd.StdoutPipe()
		if err == nil {
			err = cmd.Start()
		}
		if err != nil {
			cancel()
			return nil, fmt.Errorf("program %q: %w", shorten(strings.Join(argv, " ")), err)
		}
		return &running{ReadCloser: out, cmd: cmd, cancel: cancel}, nil
	}
}

type running struct {
	io.ReadCloser
	cmd    *exec.Cmd
	cancel context.CancelFunc
}

func (r *running) Close() error {
	r.cancel()
	err := r.ReadCloser.Close()
	_ = r.cmd.Wait() // it was killed
	return err
}
