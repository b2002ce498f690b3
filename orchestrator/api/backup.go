package api

import (
	"fmt"
	"io"
	"net/http"
	"strconv"
)

// backup sends a copy of the store, of one instant, while runs go on. It is an operator's:
// the copy holds everything, the hashes of tokens and the change log too.
func (s *Server) backup(w http.ResponseWriter, r *http.Request) {
	copied, size, err := s.d.Backup()
	if err != nil {
		writeProblem(w, http.StatusInternalServerError, "the store could not be copied: "+err.Error())
		return
	}
	defer copied.Close()
	h := w.Header()
	h.Set("Content-Type", "application/octet-stream")
	h.Set("Content-Length", strconv.FormatInt(size, 10))
	h.Set("Content-Disposition", fmt.Sprintf(`attachment; filename="rundown-%s.db"`, s.d.Now().Format("20060102T150405Z")))
	h.Set("Cache-Control", "no-store")
	s.d.Log().Info().Str("who", callerOf(r.Context()).Name).Str("from", r.RemoteAddr).Int64("bytes", size).Msg("the store is copied out")
	if _, err := io.Copy(&patient{w: w, c: http.NewResponseController(w)}, copied); err != nil {
		panic(http.ErrAbortHandler) // the reader has gone, or learns of it by the broken connection
	}
}
