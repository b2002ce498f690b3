package notices

import (
	"bytes"
	"context"
	"crypto/x509"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log"
	"net"
	"net/http"
	"net/url"
	"os"
	"strconv"
	"strings"
	"time"

	"github.com/nicholas-fedor/shoutrrr/pkg/router"
	"github.com/wneessen/go-mail"

	"rundown/scenarios"
)

// A message is a notice with the bench that it comes from.
type message struct {
	Record
	bench string
}

// subject is the notice in one line.
func (m message) subject() string { return fmt.Sprintf("Rundown, %s: %s", m.bench, m.Notice.Title) }

// body is the whole notice as text.
func (m message) body() string {
	return fmt.Sprintf("%s\n\n%s, %s\n", m.Notice.Text, m.bench, m.Notice.At.Local().Format("2006-01-02 15:04:05 -07:00"))
}

// A failure is why a message did not go out, without anything secret in it.
type failure struct {
	text    string
	refused bool // the other side will say the same next time
	unsure  bool // it may have arrived all the same
}

func (f *failure) Error() string { return f.text }

// A wire leads to one target.
type wire interface {
	send(ctx context.Context, m message) error
	// ready says which secret is missing.
	ready() error
	// repeatable: a second copy carries the first one's identifier, by which the other side
	// can drop it; so what may have arrived is sent again rather than lost.
	repeatable() bool
}

func wireTo(t scenarios.NoticeTarget) wire {
	switch {
	case t.Webhook != nil:
		return &webhook{*t.Webhook}
	case t.Email != nil:
		return &email{*t.Email, nil}
	}
	return &chat{*t.Chat}
}

// A webhook takes JSON by HTTP POST.
type webhook struct{ to scenarios.Webhook }

func (w *webhook) repeatable() bool { return true }

func (w *webhook) ready() error {
	_, _, err := w.secrets()
	return err
}

func (w *webhook) secrets() (address *url.URL, token string, err error) {
	text, err := read(w.to.Address)
	if err != nil {
		return nil, "", fmt.Errorf("webhook: address: %w", err)
	}
	address, err = url.Parse(text)
	if err != nil || address.Host == "" || address.Scheme != "http" && address.Scheme != "https" {
		return nil, "", errors.New("webhook: address: what stands there is no http or https address")
	}
	if w.to.Token.Given() {
		if token, err = read(w.to.Token); err != nil {
			return nil, "", fmt.Errorf("webhook: token: %w", err)
		}
	}
	return address, token, nil
}

// payload is the body of a webhook's request.
type payload struct {
	ID    string `json:"id"` // the same for each try, as is the header Idempotency-Key
	Bench string `json:"bench"`
	Notice
}

func (w *webhook) send(ctx context.Context, m message) error {
	address, token, err := w.secrets()
	if err != nil {
		return err
	}
	content, err := json.Marshal(payload{m.ID, m.bench, m.Notice})
	if err != nil {
		return err
	}
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, address.String(), bytes.NewReader(content))
	if err != nil {
		return &failure{text: "webhook: its address cannot be asked", refused: true}
	}
	request.Header.Set("Content-Type", "application/json")
	request.Header.Set("User-Agent", "rundown")
	request.Header.Set("Idempotency-Key", m.ID)
	if token != "" {
		request.Header.Set("Authorization", "Bearer "+token)
	}
	client := http.Client{
		Transport:     &http.Transport{Proxy: http.ProxyFromEnvironment, DisableKeepAlives: true},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }, // a secret goes nowhere else
	}
	answer, err := client.Do(request)
	if err != nil {
		return network("webhook", err)
	}
	defer answer.Body.Close()
	_, _ = io.Copy(io.Discard, io.LimitReader(answer.Body, 64<<10))
	switch code := answer.StatusCode; {
	case code >= 200 && code < 300:
		return nil
	case code >= 500, code == http.StatusRequestTimeout, code == http.StatusTooEarly, code == http.StatusTooManyRequests:
		return &failure{text: "webhook: it answers " + answer.Status}
	default:
		return &failure{text: "webhook: it answers " + answer.Status + ": look at its address and token", refused: true}
	}
}

// network says what went wrong on the way without the address, which may be a secret.
func network(what string, err error) error {
	var lookup *net.DNSError
	var certificate *x509.UnknownAuthorityError
	var name x509.HostnameError
	var op *net.OpError
	var timeout net.Error
	switch {
	case errors.As(err, &lookup):
		return &failure{text: what + ": its host's name is not known"}
	case errors.As(err, &certificate), errors.As(err, &name), strings.Contains(err.Error(), "x509: "):
		return &failure{text: what + ": its certificate is not trusted by this host, or is another host's"}
	case errors.As(err, &timeout) && timeout.Timeout(), errors.Is(err, context.DeadlineExceeded):
		return &failure{text: what + ": no answer in time", unsure: true}
	case errors.As(err, &op) && op.Op == "dial":
		return &failure{text: what + ": no connection: " + cause(op)}
	}
	return &failure{text: what + ": the connection broke before an answer came", unsure: true}
}

// cause is the system's own word for an error, such as "connection refused".
func cause(op *net.OpError) string {
	var system *os.SyscallError
	if errors.As(op.Err, &system) {
		return system.Err.Error()
	}
	return "it could not be made"
}

// An email goes to a mail server.
type email struct {
	to    scenarios.Email
	roots *x509.CertPool // nil: the host's
}

func (e *email) repeatable() bool { return true }

func (e *email) ready() error {
	if !e.to.Password.Given() {
		return nil
	}
	if _, err := read(e.to.Password); err != nil {
		return fmt.Errorf("email: password: %w", err)
	}
	return nil
}

func (e *email) send(ctx context.Context, m message) error {
	msg := mail.NewMsg()
	if err := errors.Join(msg.From(e.to.From), msg.To(e.to.To...)); err != nil {
		return &failure{text: "email: " + err.Error(), refused: true}
	}
	msg.Subject(oneLine(m.subject()))
	msg.SetDateWithValue(m.Notice.At)
	_, domain, _ := strings.Cut(e.to.From, "@")
	msg.SetMessageIDWithValue(m.ID + "@" + domain)
	msg.SetGenHeader("Auto-Submitted", "auto-generated") // RFC 3834: nobody's automatic answer
	msg.SetBodyString(mail.TypeTextPlain, m.body())
	client, err := e.client(ctx)
	if err != nil {
		return err
	}
	if err := client.DialAndSendWithContext(ctx, msg); err != nil {
		var sent *mail.SendError
		if errors.As(err, &sent) && sent.ErrorCode() >= 500 && !sent.IsTemp() {
			return &failure{text: fmt.Sprintf("email: %s refuses the message with code %d: look at sender, receivers and account", e.to.Server, sent.ErrorCode()), refused: true}
		}
		var password string
		if e.to.Password.Given() {
			password, _ = read(e.to.Password)
		}
		return &failure{text: "email: " + e.to.Server + ": " + scrub(oneLine(err.Error()), password)}
	}
	return nil
}

func (e *email) client(ctx context.Context) (*mail.Client, error) {
	host, port, err := net.SplitHostPort(e.to.Server)
	if err != nil {
		return nil, err
	}
	number, err := strconv.Atoi(port)
	if err != nil {
		return nil, err
	}
	options := []mail.Option{mail.WithPort(number), mail.WithTimeout(left(ctx))}
	if e.roots != nil {
		options = append(options, mail.WithTLSConfig(tlsWith(host, e.roots)))
	}
	switch e.to.Encryption {
	case scenarios.MailTLS:
		options = append(options, mail.WithSSL())
	case scenarios.MailNone:
		options = append(options, mail.WithTLSPolicy(mail.NoTLS))
	default:
		options = append(options, mail.WithTLSPolicy(mail.TLSMandatory))
	}
	if e.to.User != "" {
		password, err := read(e.to.Password)
		if err != nil {
			return nil, fmt.Errorf("email: password: %w", err)
		}
		options = append(options, mail.WithSMTPAuth(mail.SMTPAuthAutoDiscover), mail.WithUsername(e.to.User), mail.WithPassword(password))
	}
	return mail.NewClient(host, options...)
}

// left is how long a try may still take.
func left(ctx context.Context) time.Duration {
	if by, ok := ctx.Deadline(); ok {
		return max(time.Until(by), time.Millisecond)
	}
	return sendLimit
}

// oneLine keeps text within one line of a header or a message.
func oneLine(text string) string { return strings.Join(strings.Fields(text), " ") }

// A chat goes through a chat service.
type chat struct{ to scenarios.Chat }

// repeatable: chat services take no identifier by which a second copy could be dropped.
func (c *chat) repeatable() bool { return false }

func (c *chat) ready() error {
	_, err := c.address()
	return err
}

func (c *chat) address() (string, error) {
	address, err := read(c.to.Address)
	if err != nil {
		return "", fmt.Errorf("chat: address: %w", err)
	}
	if _, err := router.New(log.New(io.Discard, "", 0), address); err != nil { // its log may hold the address
		return "", &failure{text: "chat: what stands for its address is not understood: " + scrub(oneLine(err.Error()), address), refused: true}
	}
	return address, nil
}

func (c *chat) send(ctx context.Context, m message) error {
	address, err := c.address()
	if err != nil {
		return err
	}
	err = carry(ctx, address, m.subject()+"\n"+m.body())
	switch {
	case errors.Is(err, context.DeadlineExceeded), errors.Is(err, context.Canceled):
		return &failure{text: "chat: no answer in time", unsure: true}
	case errors.Is(err, errNoWord):
		return &failure{text: "chat: " + err.Error(), unsure: true}
	case err != nil:
		return &failure{text: "chat: " + scrub(oneLine(err.Error()), address)}
	}
	return nil
}
