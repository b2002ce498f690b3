package main

import (
	"context"
	"fmt"
	"sync"

	"github.com/rs/zerolog"

	"rundown/orchestrator"
	"rundown/orchestrator/systemd"
)

// supervised tells the service manager, where there is one, that the daemon is ready, and
// feeds its watchdog for as long as the daemon's own loops go round. The function that it
// returns ends that; the daemon may be stopped then.
func (e *env) supervised(d *orchestrator.Daemon, log zerolog.Logger) (end func()) {
	status := func() string {
		named, inRuns := 0, 0
		for _, h := range d.Handsets() {
			if h.OnBench {
				named++
			}
			if s := orchestrator.State(h.State); s != "" && s != orchestrator.Done && s != orchestrator.Stopped {
				inRuns++
			}
		}
		return fmt.Sprintf("%d handsets, %d in runs", named, inRuns)
	}
	told := func(err error) {
		if err != nil {
			log.Warn().Err(err).Msg("the service manager could not be told")
		}
	}
	told(systemd.Ready(status()))
	ctx, cancel := context.WithCancel(e.ctx)
	var watching sync.WaitGroup
	watching.Go(func() {
		told(systemd.Watch(ctx, d.Alive, status, func(err error) {
			log.Error().Err(err).Msg("the daemon does not live as it should; the service manager's watchdog is not fed")
		}))
	})
	return func() {
		cancel()
		watching.Wait()
		told(systemd.Stopping())
	}
}
