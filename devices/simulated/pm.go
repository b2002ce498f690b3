package simulated

import (
	"slices"
	"strings"
	"time"
)

// install puts an app on the handset.
func (h *Handset) install(a App) {
	if len(a.activities) == 0 {
		a.activities = []string{".MainActivity"}
	}
	if a.Version == "" {
		a.Version, a.VersionCode = "1.0", 1
	}
	if a.PowerW == 0 {
		a.PowerW = 0.4
	}
	if a.FPS == 0 {
		a.FPS = 60
	}
	h.apps = append(h.apps, &a)
}

func pm(h *Handset, c *call) int {
	if !h.wait(c, h.toolDelay(40*time.Millisecond)) {
		return killed
	}
	args := dropUser(c.args)
	verb := ""
	if len(args) > 0 {
		verb, args = args[0], args[1:]
	}
	switch verb {
	case "list":
		return h.pmList(c, args)
	case "resolve-activity", "query-activities":
		return h.pmResolve(c, args)
	case "path":
		return h.pmOf(c, args, func(p *page, a *App) { p.line("package:/data/app/%s/base.apk", a.Package) })
	case "grant", "revoke":
		if len(args) != 2 {
			return c.fail(255, "Error: no permission specified\n")
		}
		return h.pmOf(c, args, func(_ *page, a *App) { h.granted[a.Package+" "+args[1]] = verb == "grant" })
	case "disable-user", "disable", "enable":
		word := map[string]string{"enable": "enabled", "disable": "disabled", "disable-user": "disabled-user"}[verb]
		return h.pmOf(c, args, func(p *page, a *App) {
			if verb == "enable" {
				delete(h.disabled, a.Package)
			} else if a.role != roleHome {
				h.stopApp(a.Package)
				h.disabled[a.Package] = true
			}
			p.line("Package %s new state: %s", a.Package, word)
		})
	case "clear":
		return h.pmOf(c, args, func(p *page, a *App) {
			h.stopApp(a.Package)
			p.line("Success")
		})
	}
	return c.fail(255, "Unknown command: %s\n", verb)
}

// pmOf does something with the package that the first word names.
func (h *Handset) pmOf(c *call, args []string, f func(p *page, a *App)) int {
	var name string
	if len(args) > 0 {
		name = args[0]
	}
	found := false
	h.show(c, func(p *page) {
		i := slices.IndexFunc(h.apps, func(a *App) bool { return a.Package == name })
		if found = i >= 0; found {
			f(p, h.apps[i])
		}
	})
	if !found {
		return c.fail(255, "Error: java.lang.IllegalArgumentException: Unknown package: %s\n", name)
	}
	return 0
}

func (h *Handset) pmList(c *call, args []string) int {
	if len(args) == 0 || args[0] != "packages" {
		return c.fail(255, "Error: unknown list type\n")
	}
	var third, system, enabled, off, code bool
	filter := ""
	for _, word := range args[1:] {
		switch word {
		case "-3":
			third = true
		case "-s":
			system = true
		case "-e":
			enabled = true
		case "-d":
			off = true
		case "--show-versioncode":
			code = true
		default:
			if !strings.HasPrefix(word, "-") {
				filter = word
			}
		}
	}
	return h.show(c, func(p *page) {
		for _, a := range h.apps {
			gone := h.disabled[a.Package]
			if third && a.preset || system && !a.preset || enabled && gone || off && !gone || !strings.Contains(a.Package, filter) {
				continue
			}
			if code {
				p.line("package:%s versionCode:%d", a.Package, a.VersionCode)
			} else {
				p.line("package:%s", a.Package)
			}
		}
	})
}

func (h *Handset) pmResolve(c *call, args []string) int {
	brief := false
	var words []string
	for _, word := range args {
		if word == "--brief" {
			brief = true
			continue
		}
		words = append(words, word)
	}
	in, err := parseIntent(words)
	if err != nil {
		return c.fail(255, "Error: %v\n", err)
	}
	return h.show(c, func(p *page) {
		app, class, ok := h.resolve(in)
		switch {
		case !ok:
			p.line("No activity found")
		case brief:
			p.line("priority=0 preferredOrder=0 match=0x208000 specificIndex=-1 isDefault=true")
			p.line("%s", app.component(class))
		default:
			p.line("priority=0 preferredOrder=0 match=0x208000 specificIndex=-1 isDefault=true")
			p.line("ActivityInfo:")
			p.line("  name=%s%s", app.Package, class)
			p.line("  packageName=%s", app.Package)
		}
	})
}

// appops sets what an app may do; the handset only remembers it.
func appops(h *Handset, c *call) int {
	args := dropUser(c.args)
	if len(args) == 4 && args[0] == "set" {
		return h.pmOf(c, args[1:2], func(_ *page, a *App) { h.granted[a.Package+" op "+args[2]] = args[3] == "allow" })
	}
	if len(args) >= 2 && args[0] == "get" {
		c.say("No operations.\n")
		return 0
	}
	return c.fail(255, "Error: unknown command\n")
}
