package main

import (
	"fmt"
	"strings"

	"github.com/alecthomas/kong"
)

type completeCmd struct {
	Shell string `arg:"" enum:"bash,zsh,fish" help:"bash, zsh or fish."`
}

func (c *completeCmd) Help() string {
	return "Examples:\n  rundown completion bash > /etc/bash_completion.d/rundown\n  rundown completion fish > ~/.config/fish/completions/rundown.fish"
}

// Run prints a script made from the command line's own description, so that it cannot
// lag behind it.
func (c *completeCmd) Run(e *env) error {
	words := map[string][]string{} // path of verbs to what may follow
	var walk func(path string, n *kong.Node)
	walk = func(path string, n *kong.Node) {
		for _, child := range n.Children {
			words[path] = append(words[path], child.Name)
			walk(strings.TrimSpace(path+" "+child.Name), child)
		}
		for _, f := range n.Flags {
			if !f.Hidden {
				words[path] = append(words[path], "--"+f.Name)
			}
		}
	}
	walk("", e.root.Model.Node)
	switch c.Shell {
	case "fish":
		for path, list := range words {
			condition := "__fish_use_subcommand"
			if path != "" {
				condition = "__fish_seen_subcommand_from " + path[strings.LastIndex(path, " ")+1:]
			}
			fmt.Fprintf(e.out, "complete -c rundown -n '%s' -a '%s'\n", condition, strings.Join(list, " "))
		}
		return nil
	case "zsh":
		fmt.Fprintln(e.out, "#compdef rundown\nautoload -U +X bashcompinit && bashcompinit")
	}
	fmt.Fprint(e.out, "_rundown() {\n  local path= w\n  for w in \"${COMP_WORDS[@]:1:COMP_CWORD-1}\"; do\n    case $w in -*) ;; *) path=\"${path:+$path }$w\" ;; esac\n  done\n  case $path in\n")
	for path, list := range words {
		if path == "" {
			fmt.Fprintf(e.out, "  '') w='%s' ;;\n", strings.Join(list, " "))
			continue
		}
		fmt.Fprintf(e.out, "  '%s'|'%s '*) w='%s' ;;\n", path, path, strings.Join(list, " "))
	}
	fmt.Fprint(e.out, "  *) w= ;;\n  esac\n  COMPREPLY=($(compgen -W \"$w\" -- \"${COMP_WORDS[COMP_CWORD]}\"))\n}\ncomplete -o default -F _rundown rundown\n")
	return nil
}
