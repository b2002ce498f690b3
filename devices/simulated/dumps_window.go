package simulated

import "fmt"

// record is how this flavour prints an activity.
func (h *Handset) record(a *activity) string {
	if h.ways.braceBeforeTask {
		return fmt.Sprintf("ActivityRecord{%s u0 %s} t%d}", a.hash, a.name(), a.task)
	}
	return fmt.Sprintf("ActivityRecord{%s u0 %s t%d}", a.hash, a.name(), a.task)
}

// dumpActivity is dumpsys activity activities: what is resumed, and the lock.
func dumpActivity(h *Handset, p *page) {
	p.line("ACTIVITY MANAGER ACTIVITIES (dumpsys activity activities)")
	p.line("Display #0 (activities from top to bottom):")
	for i := len(h.tasks) - 1; i >= 0; i-- {
		a := h.tasks[i]
		kind := "standard"
		if a.app.role == roleHome {
			kind = "home"
		}
		state := "STOPPED"
		if i == len(h.tasks)-1 && h.usable() {
			state = "RESUMED"
		}
		if h.ways.resumedOld {
			p.line("")
			p.line("  Stack #%d: type=%s mode=fullscreen", a.task, kind)
			p.line("  isSleeping=%t", !h.screen.on)
			p.line("    Task id #%d", a.task)
			p.line("    * TaskRecord{%s #%d A=%s U=0 StackId=%d sz=1}", a.hash, a.task, a.app.Package, a.task)
			p.line("      * Hist #0: %s", h.record(a))
			p.line("          packageName=%s processName=%s", a.app.Package, a.app.Package)
			p.line("          state=%s stopped=%t", state, state != "RESUMED")
		} else {
			p.line("  * Task{%s #%d type=%s A=%d:%s U=0 visible=%t mode=fullscreen translucent=false sz=1}", a.hash, a.task, kind, 10100+a.task, a.app.Package, state == "RESUMED")
			p.line("    mLastPausedActivity: %s", h.record(a))
			p.line("    * Hist  #0: %s", h.record(a))
			p.line("      packageName=%s processName=%s", a.app.Package, a.app.Package)
			p.line("      state=%s delayedResume=false finishing=false", state)
		}
		if state != "RESUMED" {
			continue
		}
		switch {
		case h.ways.resumedOld:
			p.line("    mResumedActivity: %s", h.record(a))
		default:
			p.line("    topResumedActivity=%s", h.record(a))
		}
	}
	p.line("")
	if h.usable() {
		p.line("  ResumedActivity: %s", h.record(h.front()))
	} else if !h.ways.resumedOld {
		p.line("  ResumedActivity:null")
	}
	p.line("")
	p.line("  KeyguardController:")
	p.line("    mKeyguardShowing=%t", h.screen.keyguard)
	p.line("    mAodShowing=false")
	p.line("    mKeyguardGoingAway=false")
}

// focus is the window that has the input focus.
func (h *Handset) focus() string {
	a := h.front()
	switch {
	case !h.screen.on && !h.screen.keyguard:
		return "null"
	case h.screen.keyguard:
		return fmt.Sprintf("Window{%s u0 %s}", h.tasks[0].hash, h.ways.shadeName)
	case a.app.role == roleDialog:
		return fmt.Sprintf("Window{%s u0 %s}", a.hash, a.name())
	}
	pkg := a.app.Package
	return fmt.Sprintf("Window{%s u0 %s/%s%s}", a.hash, pkg, pkg, a.class)
}

// dumpWindow is dumpsys window, and its parts policy and windows.
func dumpWindow(h *Handset, part string, p *page) {
	if part == "" || part == "windows" {
		p.line("WINDOW MANAGER WINDOWS (dumpsys window windows)")
		for i := len(h.tasks) - 1; i >= 0; i-- {
			a := h.tasks[i]
			p.line("  Window #%d Window{%s u0 %s/%s%s}:", i, a.hash, a.app.Package, a.app.Package, a.class)
			p.line("    mDisplayId=0 rootTaskId=%d mSession=Session{%s} mClient=android.os.BinderProxy@%s", a.task, a.hash, a.hash)
			p.line("    isOnScreen=%t", i == len(h.tasks)-1 && h.usable())
		}
		p.line("")
		p.line("  mCurrentFocus=%s", h.focus())
		if h.ways.resumedOld {
			p.line("  mFocusedApp=AppWindowToken{%s token=Token{%s %s}}", h.front().hash, h.front().hash, h.record(h.front()))
		} else {
			p.line("  mFocusedApp=%s", h.record(h.front()))
		}
	}
	if part == "" || part == "policy" {
		p.line("WINDOW MANAGER POLICY STATE (dumpsys window policy)")
		p.line("    mSafeMode=false mSystemReady=true mSystemBooted=true")
		p.line("    mAwake=%t mScreenOnEarly=%t mScreenOnFully=%t", h.screen.on, h.screen.on, h.screen.on)
		p.line("    KeyguardServiceDelegate")
		p.line("      showing=%t", h.screen.keyguard)
		p.line("      showingAndNotOccluded=%t", h.screen.keyguard)
		p.line("      inputRestricted=%t", h.screen.keyguard)
		p.line("      occluded=false")
		p.line("      secure=%t", h.opt.Lock == SecureLock)
		p.line("      screenState=%s", map[bool]string{true: "SCREEN_STATE_ON", false: "SCREEN_STATE_OFF"}[h.screen.on])
		p.line("      interactiveState=%s", map[bool]string{true: "INTERACTIVE_STATE_AWAKE", false: "INTERACTIVE_STATE_SLEEP"}[h.screen.on])
	}
	if part == "displays" || part == "" {
		p.line("  Display: mDisplayId=0")
		p.line("    init=%dx%d %ddpi cur=%dx%d app=%dx%d", h.opt.ScreenW, h.opt.ScreenH, h.opt.Density, h.opt.ScreenW, h.opt.ScreenH, h.opt.ScreenW, h.opt.ScreenH)
	}
}
