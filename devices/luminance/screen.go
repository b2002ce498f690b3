package luminance

import (
	"context"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"

	"rundown/devices"
)

// A Page puts something on the handset's screen, in front of everything else and without
// bars: the white page, or a black one.
type Page interface {
	White(ctx context.Context) error
	Black(ctx context.Context) error
}

// A HandsetScreen sets the brightness of a handset over its link and reads it back.
type HandsetScreen struct {
	link  devices.Link
	scale Scale
	page  Page
	shown string // what page is in front: "white", "black" or ""
}

// Before is what a HandsetScreen changed and what it was; keep it where it outlives a
// crash, and give it to Restore.
type Before struct {
	Brightness string `json:"screen_brightness"`
	Mode       string `json:"screen_brightness_mode"`
	Float      string `json:"screen_brightness_float,omitempty"` // empty where the handset has no such key
}

// NewHandsetScreen returns the screen of a handset whose brightness has this scale: one
// that begins at 0 and ends at 1 is the fraction of "cmd display set-brightness", any
// other the setting screen_brightness.
func NewHandsetScreen(link devices.Link, scale Scale, page Page) (*HandsetScreen, error) {
	if err := scale.Check(); err != nil {
		return nil, err
	}
	return &HandsetScreen{link: link, scale: scale, page: page}, nil
}

// Prepare reads what the settings were and turns adaptive brightness off. The error of a
// handset that does not let it be turned off says so.
func (h *HandsetScreen) Prepare(ctx context.Context) (Before, error) {
	results, err := devices.Batch(ctx, h.link, []string{
		"settings get system screen_brightness",
		"settings get system screen_brightness_mode",
		"settings get system screen_brightness_float",
	})
	if err != nil {
		return Before{}, fmt.Errorf("handset %s: brightness: %w", h.link.Serial(), err)
	}
	was := func(i int) string {
		text := strings.TrimSpace(results[i].Text)
		if results[i].Failed() != "" || text == "null" {
			return ""
		}
		return text
	}
	before := Before{Brightness: was(0), Mode: was(1), Float: was(2)}
	if before.Brightness == "" {
		return before, fmt.Errorf("handset %s: brightness: the handset has no setting screen_brightness (it said %q)", h.link.Serial(), devices.Shorten(strings.TrimSpace(results[0].Text), 40))
	}
	_, err = h.put(ctx, "settings put system screen_brightness_mode 0", "settings get system screen_brightness_mode", "0")
	return before, err
}

// Restore puts the settings back to what they were.
func (h *HandsetScreen) Restore(ctx context.Context, before Before) error {
	var commands []string
	for key, value := range map[string]string{"screen_brightness": before.Brightness, "screen_brightness_mode": before.Mode, "screen_brightness_float": before.Float} {
		if value != "" {
			commands = append(commands, "settings put system "+key+" "+devices.Quote(value))
		}
	}
	results, err := devices.Batch(ctx, h.link, commands)
	if err != nil {
		return fmt.Errorf("handset %s: putting the brightness back: %w", h.link.Serial(), err)
	}
	for _, r := range results {
		if why := r.Failed(); why != "" {
			return fmt.Errorf("handset %s: putting the brightness back: %s", h.link.Serial(), why)
		}
	}
	return nil
}

// put runs a command and wants to read a value back; "" wants none.
func (h *HandsetScreen) put(ctx context.Context, set, read, want string) (string, error) {
	results, err := devices.Batch(ctx, h.link, []string{set, read})
	if err != nil {
		return "", fmt.Errorf("handset %s: brightness: %w", h.link.Serial(), err)
	}
	for _, r := range results {
		if why := r.Failed(); why != "" {
			return "", fmt.Errorf("handset %s: brightness: %s", h.link.Serial(), why)
		}
	}
	got := strings.TrimSpace(results[1].Text)
	if want != "" && got != want {
		return "", fmt.Errorf("handset %s: brightness: %q was to leave %s and left %q; allow settings to be changed over USB debugging in the developer options", h.link.Serial(), set, want, devices.Shorten(got, 40))
	}
	return got, nil
}

// stateText is the brightness that the display shows, 0 to 1, in its own dump.
var stateText = regexp.MustCompile(`\bmBrightnessState=(\d+(?:\.\d+)?(?:E-?\d+)?)\b`)

// Show implements Screen.
func (h *HandsetScreen) Show(ctx context.Context, setting float64) error {
	if err := h.front(ctx, "white", h.page.White); err != nil {
		return err
	}
	text := strconv.FormatFloat(setting, 'f', -1, 64)
	if h.scale.Most != 1 {
		_, err := h.put(ctx, "settings put system screen_brightness "+text, "settings get system screen_brightness", text)
		return err
	}
	dump, err := h.put(ctx, "cmd display set-brightness "+text, "dumpsys display", "")
	if err != nil {
		return err
	}
	// Of several displays (a folded handset has two) one must show it. The display comes
	// there in steps, so it may be a little short of it; settling time is the caller's.
	found := stateText.FindAllStringSubmatch(dump, -1)
	for _, m := range found {
		if v, err := strconv.ParseFloat(m[1], 64); err == nil && math.Abs(v-setting) < 0.02 {
			return nil
		}
	}
	if len(found) == 0 {
		return nil // builds that do not print it; the meter is the judge
	}
	return fmt.Errorf("handset %s: brightness was set to %s and the display shows %s; a hot or nearly empty handset dims itself, and so do battery saver and extra dim", h.link.Serial(), text, found[0][1])
}

// Black implements Screen.
func (h *HandsetScreen) Black(ctx context.Context) error { return h.front(ctx, "black", h.page.Black) }

func (h *HandsetScreen) front(ctx context.Context, what string, open func(context.Context) error) error {
	if h.shown == what {
		return nil
	}
	h.shown = ""
	if err := open(ctx); err != nil {
		return fmt.Errorf("handset %s: showing the %s page: %w", h.link.Serial(), what, err)
	}
	h.shown = what
	return nil
}
