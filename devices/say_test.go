package devices

import (
	"testing"
	"time"
)

func TestLastingAndAt(t *testing.T) {
	for _, tt := range []struct {
		d    time.Duration
		want string
	}{
		{0, "0 s"}, {400 * time.Microsecond, "0 s"}, {1500 * time.Millisecond, "1 s 500 ms"}, {45 * time.Second, "45 s"}, {30 * time.Minute, "30 min"},
		{199 * time.Second, "3 min 19 s"}, {time.Hour, "1 h"}, {26*time.Hour + 4*time.Minute, "26 h 4 min"}, {-90 * time.Second, "-1 min 30 s"},
	} {
		if got := Lasting(tt.d); got != tt.want {
			t.Errorf("Lasting(%v) = %q, want %q", tt.d, got, tt.want)
		}
	}
	at := time.Date(2030, 5, 14, 21, 4, 9, 0, time.UTC)
	if got, err := time.Parse("2006-01-02 15:04:05 -07:00", AtSecond(at)); err != nil || !got.Equal(at) {
		t.Errorf("AtSecond = %q, which reads as %v, %v", AtSecond(at), got, err)
	}
	if got, err := time.Parse("2006-01-02 15:04 -07:00", At(at)); err != nil || !got.Equal(at.Truncate(time.Minute)) {
		t.Errorf("At = %q, which reads as %v, %v", At(at), got, err)
	}
}
