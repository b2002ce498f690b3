package calculate

import (
	"errors"
	"io"

	"rundown/results/logfiles"
)

// A One is one log of a file: what it says, or why it says nothing.
type One struct {
	File   string
	Only   string // its name in the file, where the file holds several
	Result *Result
	Err    error // nil with a result
}

// File works out every log that a file holds: one, or each segment or workload of it where nothing chooses one of
// them. Its list is never empty.
func File(name string, r io.Reader, in logfiles.Options, o Options) []One {
	content, err := logfiles.Content(name, r)
	if err != nil {
		return []One{{File: name, Err: err}}
	}
	one := func(in logfiles.Options) One {
		out := One{File: name, Only: in.Only}
		log, err := logfiles.Parse(name, content, in)
		if err != nil {
			out.Err = err
			return out
		}
		result, err := Log(name, log, o)
		if err != nil {
			out.Err = err
			return out
		}
		out.Result = &result
		return out
	}
	first := one(in)
	var several logfiles.Several
	if !errors.As(first.Err, &several) {
		return []One{first}
	}
	var list []One
	for _, only := range several.Names {
		in.Only = only
		list = append(list, one(in))
	}
	return list
}
