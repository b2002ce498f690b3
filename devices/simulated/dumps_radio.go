package simulated

func dumpWiFi(h *Handset, p *page) {
	word := map[bool]string{true: "enabled", false: "disabled"}[h.radios.wifi]
	p.line("Wi-Fi is %s", word)
	p.line("Verbose logging is off")
	p.line("mAirplaneModeOn %t", h.radios.airplane)
	p.line("mWifiInfo %s", h.wifiInfo()[len("WifiInfo: "):])
	p.line("mNetworkInfo [type: WIFI[], state: %s, reason: (unspecified)]", map[bool]string{true: "CONNECTED/CONNECTED", false: "DISCONNECTED/DISCONNECTED"}[h.wifiUp()])
}

func dumpTelephony(h *Handset, p *page) {
	data := 0
	switch {
	case !h.sim:
		data = -1
	case h.mobileUp():
		data = 2
	}
	p.line("last known state:")
	p.line("  Phone Id=0")
	p.line("    mCallState=%d", h.callState())
	p.line("    mRingingCallState=%d", map[bool]int{true: 5, false: 0}[h.callState() == callRinging])
	p.line("    mForegroundCallState=%d", h.frontCall())
	p.line("    mServiceState={mVoiceRegState=%d, mDataRegState=%d}", serviceState(h), serviceState(h))
	p.line("    mDataConnectionState=%d", data)
	if !h.sim || h.radios.airplane {
		p.line("    mSignalStrength=SignalStrength:{mCdma=Invalid,mGsm=Invalid,mWcdma=Invalid,mTdscdma=Invalid,mLte=Invalid,mNr=Invalid,primary=CellSignalStrengthLte}")
	} else {
		p.line("    mSignalStrength=SignalStrength:{mCdma=CellSignalStrengthCdma: cdmaDbm=2147483647 cdmaEcio=2147483647 evdoDbm=2147483647 evdoEcio=2147483647 evdoSnr=2147483647 level=0,mLte=CellSignalStrengthLte: rssi=-61 rsrp=-%d rsrq=-10 rssnr=150 cqi=15 ta=2147483647 level=4,mNr=CellSignalStrengthNr:{ csiRsrp = 2147483647 level = 0 },primary=CellSignalStrengthLte}", 82+h.opt.Seed%12)
	}
	p.line("  Phone Id=1")
	p.line("    mCallState=0")
	p.line("    mDataConnectionState=-1")
}

// serviceState is in service, out of it, or the radio off.
func serviceState(h *Handset) int {
	switch {
	case h.radios.airplane:
		return 3
	case !h.sim:
		return 1
	}
	return 0
}

func dumpBluetooth(h *Handset, p *page) {
	p.line("Bluetooth Status")
	p.line("  enabled: %t", h.radios.bluetooth)
	p.line("  state: %s", map[bool]string{true: "ON", false: "OFF"}[h.radios.bluetooth])
	p.line("  address: 02:00:00:00:00:00")
	p.line("  name: %s", h.opt.Model)
}

func dumpNFC(h *Handset, p *page) {
	p.line("mState=%s", map[bool]string{true: "on", false: "off"}[h.radios.nfc])
	p.line("mIsZeroClickRequested=false")
	p.line("mScreenState=%s", map[bool]string{true: "ON_UNLOCKED", false: "OFF_LOCKED"}[h.usable()])
}

func dumpLocation(h *Handset, p *page) {
	if h.ways.locationVerbs {
		p.line("Location Manager State:")
		p.line("  User Info:")
		p.line("    current users: u[0]")
		p.line("  Location Settings:")
		p.line("    Location Setting: %t", h.locationOn())
		return
	}
	p.line("Current Location Manager state:")
	p.line("  Location Mode=%s", h.setting(secure, "location_mode"))
	p.line("  Location Listeners:")
}

func dumpConnectivity(h *Handset, p *page) {
	switch {
	case h.wifiUp():
		p.line("Active default network: 101")
	case h.mobileUp():
		p.line("Active default network: 102")
	default:
		p.line("Active default network: none")
	}
	p.line("")
	p.line("Tethering:")
	p.line("  Tether state:")
	p.line("    wlan1 - AvailableState - lastError = 0")
}
