package scenarios

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func TestNotices(t *testing.T) {
	const bench = "bench:\n  handsets: [{name: A, serial: S}]\n"
	f, err := Parse("notices.yaml", []byte(bench+`notices:
  targets:
    desk: {webhook: {address: {env: DESK}, token: {file: /run/token}}}
    shift:
      about: [prompt waiting]
      email: {server: "mail.lab.example:465", from: a@lab.example, to: [b@lab.example], user: a, password: {env: MAIL}, encryption: tls}
    room: {chat: {address: {file: /run/chat}}}
`))
	if err != nil {
		t.Fatal(err)
	}
	want := Notices{RetryFor: 4 * time.Hour, Targets: []NoticeTarget{
		{Name: "desk", About: NoticeKinds, Webhook: &Webhook{Address: Secret{Env: "DESK"}, Token: Secret{File: "/run/token"}}},
		{Name: "shift", About: []string{NoticePrompt}, Email: &Email{Server: "mail.lab.example:465", From: "a@lab.example", To: []string{"b@lab.example"}, User: "a", Password: Secret{Env: "MAIL"}, Encryption: MailTLS}},
		{Name: "room", About: NoticeKinds, Chat: &Chat{Address: Secret{File: "/run/chat"}}},
	}}
	if diff := cmp.Diff(want, f.Notices); diff != "" {
		t.Errorf("notices (-want +got):\n%s", diff)
	}
	for text, want := range map[string]string{
		"{}": "notices.targets.desk: want one of webhook, email and chat",
		"{webhook: {address: https://hook.example/secret}}":                                                              "notices.targets.desk.webhook.address: want the address as {env: NAME} or {file: PATH}: a secret does not stand in the plan file",
		"{webhook: {address: {}}}":                                                                                       "notices.targets.desk.webhook.address: want either env or file: a secret does not stand in the plan file",
		"{chat: {address: {file: chat.txt}}}":                                                                            "notices.targets.desk.chat.address.file: want an absolute path, got chat.txt",
		"{about: [gossip], chat: {address: {env: A}}}":                                                                   "notices.targets.desk.about[0]: want run finished, handset set aside, prompt waiting, limit reached or link lost, got gossip",
		`{email: {server: "m:25", from: "A <a@b.example>", to: [a@b.example]}}`:                                          `notices.targets.desk.email.from: want a mail address such as night@lab.example, got "A <a@b.example>"`,
		`{email: {server: "m:25", from: a@b.example, to: [a@b.example], user: a}}`:                                       "notices.targets.desk.email: user and password go together",
		`{email: {server: "m:25", from: a@b.example, to: [a@b.example], user: a, password: {env: P}, encryption: none}}`: "notices.targets.desk.email.encryption: a password is not sent in clear: want starttls or tls",
	} {
		_, err := Parse("notices.yaml", fmt.Appendf(nil, "%snotices:\n  targets:\n    desk: %s\n", bench, text))
		faults, ok := err.(Faults)
		if !ok || len(faults) != 1 || faults[0].Line != 5 || faults[0].Path+": "+faults[0].Msg != want {
			t.Errorf("%s: %v; want %s", text, err, want)
		}
	}
}
