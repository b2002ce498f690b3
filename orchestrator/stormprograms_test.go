package orchestrator_test

import (
	"fmt"
	"path"
	"strings"
	"sync"
	"time"
)

// programs watches which of Rundown's programs run on a handset, each instant of it: it is
// told of each that begins and ends.
type programs struct {
	mu       sync.Mutex
	alive    map[int]program
	beside   map[[2]int]time.Time // pairs of a kind that run side by side, since when
	overlaps []string
}

// A program is a recorder or a workload at work on a segment.
type program struct{ name, segment string }

func newPrograms() *programs {
	return &programs{alive: map[int]program{}, beside: map[[2]int]time.Time{}}
}

// programOf tells a recorder and a workload by their command lines; what only closes or
// ends one is neither.
func programOf(argv []string) (program, bool) {
	if len(argv) != 4 || argv[0] != "sh" || argv[3] != "run" {
		return program{}, false
	}
	name := strings.TrimSuffix(path.Base(argv[1]), ".sh")
	return program{name, path.Base(argv[2])}, name == "recorder" || name == "workload"
}

func (p *programs) ran(pid int, argv []string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	now := time.Now()
	if ended, ok := p.alive[pid]; ok {
		delete(p.alive, pid)
		for pair, since := range p.beside {
			if pair[0] != pid && pair[1] != pid {
				continue
			}
			delete(p.beside, pair)
			if lasted := now.Sub(since); lasted > 0 {
				p.overlaps = append(p.overlaps, fmt.Sprintf("two %ss for %v until %s, one of them of segment %s", ended.name, lasted, now.Format(time.TimeOnly), ended.segment))
			}
		}
	}
	begun, ok := programOf(argv)
	if !ok {
		return
	}
	for other, q := range p.alive {
		if q.name == begun.name {
			p.beside[[2]int{other, pid}] = now
		}
	}
	p.alive[pid] = begun
}

// at says what runs, and what ran side by side so far.
func (p *programs) at() (running []program, overlaps []string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, q := range p.alive {
		running = append(running, q)
	}
	overlaps = append(overlaps, p.overlaps...)
	for pair, since := range p.beside {
		overlaps = append(overlaps, fmt.Sprintf("two %ss since %s, segments %s and %s", p.alive[pair[0]].name, since.Format(time.TimeOnly), p.alive[pair[0]].segment, p.alive[pair[1]].segment))
	}
	return running, overlaps
}
