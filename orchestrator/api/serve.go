package api

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"maps"
	"net"
	"net/http"
	"slices"
	"time"

	"rundown/orchestrator"
)

type handset = orchestrator.HandsetStatus

func sortedKeys[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }

// Listen opens the address on which the API is served. An address that others can reach
// is opened only when there is a token: without one nobody could be let in, and with
// nobody asked the bench would be anybody's.
func Listen(address string, tokens *Tokens, certificate *tls.Certificate) (net.Listener, error) {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return nil, fmt.Errorf("listen address: want host:port, got %q", address)
	}
	if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		have, err := tokens.List()
		if err != nil && len(have) == 0 {
			return nil, err
		}
		if len(have) == 0 {
			return nil, fmt.Errorf("%s can be reached by others, and there is no token yet: make one with `rundown token make NAME --role operator`, or listen on 127.0.0.1", address)
		}
	}
	l, err := net.Listen("tcp", address)
	if err != nil {
		return nil, fmt.Errorf("the API cannot listen on %s (is another daemon running?): %w", address, err)
	}
	if certificate != nil {
		l = tls.NewListener(l, &tls.Config{Certificates: []tls.Certificate{*certificate}, MinVersion: tls.VersionTLS12, NextProtos: []string{"h2", "http/1.1"}})
	}
	return l, nil
}

// endingKey finds the channel that is closed when the server is about to end.
type endingKey struct{}

func ending(ctx context.Context) <-chan struct{} {
	c, _ := ctx.Value(endingKey{}).(<-chan struct{})
	return c
}

// Serve answers on l until ctx ends, then gives requests under way a moment. Streams of
// events are ended at once: their readers come back by themselves.
func Serve(ctx context.Context, l net.Listener, h http.Handler) error {
	ending := make(chan struct{})
	base := context.WithValue(context.WithoutCancel(ctx), endingKey{}, (<-chan struct{})(ending))
	server := &http.Server{
		Handler: h, ReadHeaderTimeout: 10 * time.Second, ReadTimeout: time.Minute, WriteTimeout: answerLimit + time.Minute, IdleTimeout: 2 * time.Minute,
		MaxHeaderBytes: 32 << 10, BaseContext: func(net.Listener) context.Context { return base },
	}
	stopped := make(chan struct{})
	done := context.AfterFunc(ctx, func() {
		defer close(stopped)
		close(ending)
		bounded, cancel := context.WithTimeout(context.WithoutCancel(ctx), 3*time.Second)
		defer cancel()
		_ = server.Shutdown(bounded)
		_ = server.Close()
	})
	err := server.Serve(l)
	if !done() {
		<-stopped
	}
	if !errors.Is(err, http.ErrServerClosed) {
		return err
	}
	return nil
}
