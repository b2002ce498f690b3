package devices

// An Identity says which handset this is and what runs on it.
type Identity struct {
	Model          string `json:"model"`
	Maker          string `json:"maker"`
	AndroidVersion string `json:"android_version"`
	SDK            int    `json:"sdk"`
	Build          string `json:"build"`          // fingerprint of the OS build
	SecurityPatch  string `json:"security_patch"` // yyyy-mm-dd
	BootID         string `json:"boot_id"`        // changes at each boot; "count:N" where the kernel's is not readable
	ScreenW        int    `json:"screen_w_px"`    // as the system draws, override included; 0 not known
	ScreenH        int    `json:"screen_h_px"`
}
