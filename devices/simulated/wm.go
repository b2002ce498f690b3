package simulated

import (
	"fmt"
	"strconv"
	"strings"
	"time"
)

// wm is the window manager's command: size, density, the lock.
func wm(h *Handset, c *call) int {
	if !h.wait(c, h.toolDelay(30*time.Millisecond)) {
		return killed
	}
	word := c.arg(1)
	switch c.arg(0) {
	case "size":
		if word == "" {
			return h.show(c, func(p *page) {
				p.line("Physical size: %dx%d", h.opt.ScreenW, h.opt.ScreenH)
				if h.override.size != "" {
					p.line("Override size: %s", h.override.size)
				}
			})
		}
		size := ""
		if word != "reset" {
			var w, t int
			if n, err := fmt.Sscanf(strings.ToLower(word), "%dx%d", &w, &t); n != 2 || err != nil || w <= 0 || t <= 0 {
				return c.fail(255, "Error: bad size %s\n", word)
			}
			size = fmt.Sprintf("%dx%d", w, t)
		}
		h.do(func() { h.override.size = size })
	case "density":
		if word == "" {
			return h.show(c, func(p *page) {
				p.line("Physical density: %d", h.opt.Density)
				if h.override.density != 0 {
					p.line("Override density: %d", h.override.density)
				}
			})
		}
		n := 0
		if word != "reset" {
			var err error
			if n, err = strconv.Atoi(word); err != nil || n < 72 {
				return c.fail(255, "Error: bad number %s\n", word)
			}
		}
		h.do(func() { h.override.density = n })
	case "dismiss-keyguard":
		h.do(h.unlock)
	case "overscan", "user-rotation", "fixed-to-user-rotation", "tracing", "folded-area", "scaling":
	default:
		return c.fail(255, "Unknown command: %s\n", c.arg(0))
	}
	return 0
}
