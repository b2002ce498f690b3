package devices

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os/exec"
	"strings"
	"time"
)

// commandGateLimit is how long the lab's own command may take.
const commandGateLimit = 30 * time.Second

// A CommandGate switches power by commands of the lab's own, run on the host: a hub's
// port switch, a relay, a socket. They run without a shell, as written in the plan file.
type CommandGate struct {
	open, close []string
	limit       time.Duration
}

// NewCommandGate returns a gate that runs open to let power to the handset and close to
// cut it; the first word is the program, the others its arguments.
func NewCommandGate(open, close []string) PowerGate {
	return &CommandGate{open: open, close: close, limit: commandGateLimit}
}

// Name implements PowerGate.
func (g *CommandGate) Name() string {
	if len(g.open) == 0 {
		return "command"
	}
	return "command " + g.open[0]
}

// Open implements PowerGate.
func (g *CommandGate) Open(ctx context.Context) error { return g.run(ctx, "open", g.open) }

// Close implements PowerGate.
func (g *CommandGate) Close(ctx context.Context) error { return g.run(ctx, "close", g.close) }

func (g *CommandGate) run(ctx context.Context, what string, argv []string) error {
	if len(argv) == 0 || argv[0] == "" {
		return fmt.Errorf("power gate: no command to %s it is given in the plan file", what)
	}
	limited, cancel := context.WithTimeout(ctx, g.limit)
	defer cancel()
	var said bytes.Buffer
	cmd := exec.CommandContext(limited, argv[0], argv[1:]...)
	cmd.Stdout, cmd.Stderr = &said, &said
	cmd.WaitDelay = time.Second // a child that keeps the output open does not hold the gate
	err := cmd.Run()
	if err == nil || errors.Is(err, exec.ErrWaitDelay) {
		return nil
	}
	command := shownCommand(strings.Join(argv, " "))
	switch {
	case ctx.Err() != nil:
		return fmt.Errorf("power gate: command %q to %s it was given up: %w", command, what, ctx.Err())
	case limited.Err() != nil:
		return fmt.Errorf("power gate: command %q to %s it did not end within %s and was stopped; it said %s: %w", command, what, Lasting(g.limit), excerpt(said.String()), ErrTimeout)
	}
	return fmt.Errorf("power gate: command %q to %s it failed; it said %s: %w", command, what, excerpt(said.String()), err)
}
