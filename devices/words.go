package devices

import (
	"strings"
	"unicode/utf8"
)

// OneLine makes one line of a text, with single blanks between its words.
func OneLine(text string) string { return strings.Join(strings.Fields(text), " ") }

// Shorten makes a text from elsewhere fit into a message: at most so many characters, and an ellipsis
// where something was cut off. What is no text shows as question marks.
func Shorten(text string, most int) string {
	text = strings.ToValidUTF8(text, "?")
	if utf8.RuneCountInString(text) <= most {
		return text
	}
	return string([]rune(text)[:most]) + "…"
}

// shownCommand is a command line in a message.
func shownCommand(command string) string { return Shorten(OneLine(command), 80) }
