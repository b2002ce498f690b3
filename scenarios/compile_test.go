package scenarios

func aTarget() Target {
	return Target{
		ScreenW: 1080, ScreenH: 2400, StageURL: "http://127.0.0.1:8790/s/k1", SDK: 34,
		Packages: map[string]string{"browser": "org.example.web", "player": "org.example.player", "camera": "org.example.camera"},
		ClipPath: "/sdcard/Movies/clip.mp4",
	}
}
