// Package systemd tells the service manager how the daemon stands: that it is ready, that
// it lives, that it stops (sd_notify(3), sd_watchdog_enabled(3)). Without a service manager
// that asks for it, nothing is said and nothing fails.
package systemd

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"
)

// Ready says that the daemon is up, and in words what it looks after.
func Ready(status string) error { return say(daemon.SdNotifyReady, "STATUS="+oneLine(status)) }

// Stopping says that the daemon has begun to stop.
func Stopping() error { return say(daemon.SdNotifyStopping, "STATUS=stopping") }

// Watch feeds the watchdog, where there is one, until ctx ends: at each half of its period
// alive is asked, within that half, and only when it returns nil is the watchdog fed. What
// alive says otherwise becomes the service's status and goes to report, once for each text;
// the service manager then ends the daemon when the period is over and starts it anew.
func Watch(ctx context.Context, alive func(context.Context) error, status func() string, report func(error)) error {
	period, err := daemon.SdWatchdogEnabled(false)
	if err != nil {
		return fmt.Errorf("the service manager's watchdog: %w", err)
	}
	if period <= 0 {
		<-ctx.Done()
		return nil
	}
	said := ""
	tick := time.NewTicker(period / 2)
	defer tick.Stop()
	for {
		bounded, cancel := context.WithTimeout(ctx, period/2)
		fault := alive(bounded)
		cancel()
		if ctx.Err() != nil {
			return nil
		}
		text := status()
		if fault != nil {
			text = fault.Error()
			if text != said {
				report(fault)
			}
			err = say("STATUS=" + oneLine(text))
		} else {
			err = say(daemon.SdNotifyWatchdog, "STATUS="+oneLine(text))
		}
		if err != nil {
			report(fmt.Errorf("the service manager could not be told: %w", err))
		}
		said = text
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// ErrNotSent means that the service manager has given a socket and it takes nothing.
var ErrNotSent = errors.New("not sent")

func say(lines ...string) error {
	if _, err := daemon.SdNotify(false, strings.Join(lines, "\n")); err != nil {
		return fmt.Errorf("%w: %w", ErrNotSent, err)
	}
	return nil
}

// oneLine keeps a status from being read as another assignment.
func oneLine(text string) string { return strings.Join(strings.Fields(text), " ") }
