package devices

import (
	"context"
	"fmt"
	"strings"
)

// What lights, darkens and touches a handset's screen. Android's versions do these alike.
const (
	lightScreen     = "input keyevent 224" // WAKEUP: does nothing to one that is awake
	dismissKeyguard = "wm dismiss-keyguard"
	darkenScreen    = "input keyevent 223" // SLEEP
	goHome          = "input keyevent 3"   // HOME
)

func run(ctx context.Context, l Link, commands ...string) error {
	_, err := Run(ctx, l, strings.Join(commands, "; "))
	return err
}

// LightScreen switches the screen on; the timeout of one that is on begins anew.
func LightScreen(ctx context.Context, l Link) error { return run(ctx, l, lightScreen) }

// LightUnlocked switches the screen on and takes away a lock screen that asks for nothing.
func LightUnlocked(ctx context.Context, l Link) error {
	return run(ctx, l, lightScreen, dismissKeyguard)
}

// DarkenScreen switches the screen off.
func DarkenScreen(ctx context.Context, l Link) error { return run(ctx, l, darkenScreen) }

// LeaveHome leaves a handset on its home screen with the screen off.
func LeaveHome(ctx context.Context, l Link) error { return run(ctx, l, goHome, darkenScreen) }

// Tap touches the screen at x, y, in its pixels.
func Tap(ctx context.Context, l Link, x, y int) error {
	return run(ctx, l, fmt.Sprintf("input tap %d %d", x, y))
}

// OpenPage lights the screen and opens a page in a browser, by its package.
func OpenPage(ctx context.Context, l Link, browser, address string) error {
	return run(ctx, l, lightScreen, dismissKeyguard, fmt.Sprintf("am start -a android.intent.action.VIEW -d %s %s", Quote(address), Quote(browser)))
}

// ReadScreenSettings reads after which time the screen goes off by itself, its brightness, and how
// that is set: as they are, for a person, and as the commands that put them back to it.
func ReadScreenSettings(ctx context.Context, l Link) (before, undo string, err error) {
	keys := []string{"screen_off_timeout", "screen_brightness", "screen_brightness_mode"}
	var gets, were, backs []string
	for _, key := range keys {
		gets = append(gets, "settings get system "+key)
	}
	got, err := Run(ctx, l, strings.Join(gets, "; "))
	if err != nil {
		return "", "", err
	}
	values := strings.Fields(got)
	if len(values) != len(keys) {
		return "", "", fmt.Errorf("its screen settings read %q, which is not understood", got)
	}
	for i, key := range keys {
		if values[i] == "null" {
			backs = append(backs, "settings delete system "+key)
			continue
		}
		backs = append(backs, "settings put system "+key+" "+Quote(values[i]))
		were = append(were, key+"="+values[i])
	}
	return strings.Join(were, ", "), strings.Join(backs, "; "), nil
}

// SetScreenTimeout sets after how many ms without a touch the screen goes off by itself.
func SetScreenTimeout(ctx context.Context, l Link, ms int) error {
	return run(ctx, l, fmt.Sprintf("settings put system screen_off_timeout %d", ms))
}
