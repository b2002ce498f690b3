package scenarios

import (
	"net/mail"
	"strings"
	"time"

	"go.yaml.in/yaml/v4"
)

// Notices say who is told what, away from the bench.
type Notices struct {
	Targets  []NoticeTarget // in the file's order
	RetryFor time.Duration
}

// A NoticeTarget is one place that notices go to. Exactly one of its kinds is set.
type NoticeTarget struct {
	Name    string
	About   []string // the notice words that it takes
	Webhook *Webhook
	Email   *Email
	Chat    *Chat
}

// What a notice may be about.
const (
	NoticeRunFinished = "run finished"
	NoticeSetAside    = "handset set aside"
	NoticePrompt      = "prompt waiting"
	NoticeLimit       = "limit reached"
	NoticeLinkLost    = "link lost" // for an hour, in a run
)

// NoticeKinds are all of them.
var NoticeKinds = []string{NoticeRunFinished, NoticeSetAside, NoticePrompt, NoticeLimit, NoticeLinkLost}

// A Secret says where a secret is read from. The plan file never holds one. Exactly one of
// the two is set; neither: there is none.
type Secret struct {
	Env  string // environment variable of the daemon
	File string // absolute path; its first line
}

// Given reports whether there is a secret at all.
func (s Secret) Given() bool { return s != Secret{} }

// A Webhook takes notices as JSON by HTTP POST.
type Webhook struct {
	Address Secret // an http or https URL
	Token   Secret // sent as Authorization: Bearer; none where not given
}

// An Email is a mail server and who is written to.
type Email struct {
	Server     string // host:port
	From       string
	To         []string
	User       string // empty: the server wants none
	Password   Secret
	Encryption string // one of the Mail words
}

// How mail is protected on its way to the server.
const (
	MailStartTLS = "starttls" // the server must offer it
	MailTLS      = "tls"      // from the first byte on
	MailNone     = "none"     // in clear; no password is sent then
)

// A Chat takes notices through a chat service.
type Chat struct {
	Address Secret // a service's address as the chat library has it: scheme://…
}

// secretShape takes {env: NAME} or {file: PATH}: what is secret stands nowhere in the file.
func secretShape(noun string) shape {
	return &secret{object{
		noun: noun + " as {env: NAME} or {file: PATH}",
		fields: []field{
			{key: "env", about: "The daemon's environment variable that holds it.", shape: matching("the name of an environment variable", `^[A-Za-z_][A-Za-z0-9_]{0,99}$`)},
			{key: "file", about: "The file whose first line it is.", shape: matching("an absolute path", `^/[^\x00-\x1f]{1,400}$`)},
		},
		check: func(r *reader, e *entry) {
			if e.has("env") == e.has("file") {
				r.fault(e.node, e.path, "want either env or file: a secret does not stand in the plan file")
			}
		},
		also: map[string]any{"minProperties": 1, "maxProperties": 1},
	}}
}

// A secret is the place of a secret. One that stands in the file itself is refused without
// being repeated in the message.
type secret struct{ object }

func (s *secret) read(r *reader, n *yaml.Node, path string) *entry {
	at := n
	if n.Kind == yaml.AliasNode && n.Alias != nil {
		at = n.Alias
	}
	if at.Kind != yaml.MappingNode {
		r.fault(n, path, "want %s: a secret does not stand in the plan file", s.noun)
		return nil
	}
	return s.object.read(r, n, path)
}

func secretOf(e *entry) Secret {
	return Secret{Env: valueOf[string](e, "env"), File: valueOf[string](e, "file")}
}

// mailAddress is an address of RFC 5322 without a name.
func mailAddress() *scalar {
	s := text("a mail address such as night@lab.example", 254)
	s.parse = func(t string) (any, error) {
		a, err := mail.ParseAddress(t)
		if err != nil || a.Name != "" || a.Address != t || strings.ContainsAny(t, "\r\n") {
			return nil, errWrong
		}
		return t, nil
	}
	return s
}

var noticesShape = &object{
	noun: "notices",
	fields: []field{
		{key: "targets", about: "Where notices go, by a name of the lab's own.", shape: &dictionary{noun: "targets by name", key: name("a target's name"), value: targetShape, least: 1}, required: true},
		{key: "retry_for", about: "How long a notice that does not arrive is tried again.", shape: duration(time.Minute, 7*24*time.Hour), def: "4 h"},
	},
}

var targetShape = &object{
	noun: "a target of notices",
	fields: []field{
		{key: "about", about: "What it is told: " + strings.Join(NoticeKinds, ", ") + "; all of them when left out.", shape: &list{noun: "1 to 5 kinds of notice", value: choice(NoticeKinds...), least: 1, most: 5, check: distinct("kind")}},
		{key: "webhook", about: "An HTTP server that takes JSON.", shape: &object{noun: "a webhook", fields: []field{
			{key: "address", about: "Its http or https address, from an environment variable or a file: it is often a secret by itself.", shape: secretShape("the address"), required: true},
			{key: "token", about: "Sent as Authorization: Bearer.", shape: secretShape("the token")},
		}}},
		{key: "email", about: "A mail server.", shape: emailShape},
		{key: "chat", about: "A chat service.", shape: &object{noun: "a chat", fields: []field{
			{key: "address", about: "The service's address with its token, as the chat library's services have it (github.com/nicholas-fedor/shoutrrr), from an environment variable or a file.", shape: secretShape("the address"), required: true},
		}}},
	},
	check: func(r *reader, e *entry) {
		kinds := 0
		for _, key := range []string{"webhook", "email", "chat"} {
			if e.has(key) {
				kinds++
			}
		}
		if kinds != 1 {
			r.fault(e.node, e.path, "want one of webhook, email and chat")
		}
	},
	also: map[string]any{"oneOf": []any{
		map[string]any{"required": []any{"webhook"}}, map[string]any{"required": []any{"email"}}, map[string]any{"required": []any{"chat"}},
	}},
}

var emailShape = &object{
	noun: "a mail server and who is written to",
	fields: []field{
		{key: "server", about: "The mail server, host:port; 587 with starttls, 465 with tls are common.", shape: hostPort(false), required: true},
		{key: "from", about: "The sender's address.", shape: mailAddress(), required: true},
		{key: "to", about: "Who is written to.", shape: &list{noun: "1 to 20 mail addresses", value: mailAddress(), least: 1, most: 20, check: distinct("address")}, required: true},
		{key: "user", about: "The account at the server; left out: it wants none.", shape: text("a name of up to 200 characters", 200)},
		{key: "password", about: "Its password.", shape: secretShape("the password")},
		{key: "encryption", about: "starttls: the server must offer it; tls: from the first byte on; none: in clear, and no password is sent.", shape: choice(MailStartTLS, MailTLS, MailNone), def: MailStartTLS},
	},
	check: func(r *reader, e *entry) {
		switch {
		case e.has("user") != e.has("password"):
			r.fault(e.node, e.path, "user and password go together")
		case e.has("password") && valueOf[string](e, "encryption") == MailNone:
			r.fault(e.at("encryption").node, e.at("encryption").path, "a password is not sent in clear: want starttls or tls")
		}
	},
	also: map[string]any{"dependentRequired": map[string]any{"user": []any{"password"}, "password": []any{"user"}}},
}

// noticesOf are the file's notices; none where it has none.
func noticesOf(e *entry) (n Notices) {
	if e == nil {
		return n
	}
	n.RetryFor = valueOf[time.Duration](e, "retry_for")
	for name, t := range each(e.at("targets")) {
		to := NoticeTarget{Name: name, About: words(t.at("about"))}
		if len(to.About) == 0 {
			to.About = NoticeKinds
		}
		if w := t.at("webhook"); w != nil {
			to.Webhook = &Webhook{Address: secretOf(w.at("address")), Token: secretOf(w.at("token"))}
		}
		if m := t.at("email"); m != nil {
			to.Email = &Email{
				Server: valueOf[string](m, "server"), From: valueOf[string](m, "from"), To: words(m.at("to")),
				User: valueOf[string](m, "user"), Password: secretOf(m.at("password")), Encryption: valueOf[string](m, "encryption"),
			}
		}
		if c := t.at("chat"); c != nil {
			to.Chat = &Chat{Address: secretOf(c.at("address"))}
		}
		n.Targets = append(n.Targets, to)
	}
	return n
}
