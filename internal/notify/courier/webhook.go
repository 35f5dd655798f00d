package courier

import (
	"bytes"
	"context"
	"io"
	"net/http"
	"net/http/httptrace"
	"net/url"
	"strconv"
	"sync/atomic"
	"time"

	"lastlook/internal/notify"
	"lastlook/internal/say"
)

// webhook posts a message.
func (s *Sender) webhook(ctx context.Context, h Hook, job notify.Job) notify.Result {
	body, err := bodyOf(s.site, job)
	if err != nil {
		return failed(say.T("The message cannot be written: %s", quote(err.Error())))
	}
	var written atomic.Bool
	ctx = httptrace.WithClientTrace(ctx, &httptrace.ClientTrace{
		WroteRequest: func(i httptrace.WroteRequestInfo) { written.Store(written.Load() || i.Err == nil) },
	})
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, h.URL, bytes.NewReader(body))
	if err != nil {
		return failed(say.T("The message cannot be written: %s", quote(err.Error())))
	}
	const contentType = "application/json"
	digest := contentDigest(body)
	key := `"` + sfEscape(job.ID) + `"`
	req.Header.Set("Content-Type", contentType)
	req.Header.Set("Content-Digest", digest)
	req.Header.Set("Idempotency-Key", key)
	req.Header.Set("User-Agent", "Lastlook")
	input, signature := signed(h.Secret, h.Name, []component{
		{"@method", http.MethodPost}, {"@target-uri", targetURI(req.URL)},
		{"content-type", contentType}, {"content-digest", digest}, {"idempotency-key", key},
	}, s.now())
	req.Header.Set("Signature-Input", input)
	req.Header.Set("Signature", signature)
	resp, err := s.http.Do(req)
	host := req.URL.Hostname()
	if err != nil {
		if written.Load() {
			return notify.Result{Fate: notify.Unknown, Said: say.T("The message was handed over, but the receiver did not say whether it took it. It is sent again with the same Idempotency-Key.")}
		}
		return noRoad(trouble(host, err))
	}
	defer resp.Body.Close()
	// What follows an answer is for the list only.
	words, _ := io.ReadAll(io.LimitReader(resp.Body, 1<<10))
	code, said := resp.StatusCode, quote(string(words))
	switch {
	case code/100 == 2:
		return notify.Result{Fate: notify.Took, Status: code, Said: say.T("The receiver took it (%d).", code)}
	case code == http.StatusRequestTimeout, code == http.StatusTooEarly, code == http.StatusTooManyRequests, code >= 500:
		return notify.Result{Fate: notify.Failed, Status: code, Wait: s.retryAfter(resp.Header.Get("Retry-After")), Said: say.T("The receiver does not take it now (%d): %s", code, said)}
	case code/100 == 4:
		return notify.Result{Fate: notify.Denied, Status: code, Said: say.T("The receiver refused it for good (%d): %s", code, said)}
	case code/100 == 3:
		return notify.Result{Fate: notify.Failed, Status: code, Road: true, Said: say.T("The receiver says that it has another address (%d). Nothing is sent there: put the right address into the configuration.", code)}
	}
	return notify.Result{Fate: notify.Failed, Status: code, Said: say.T("The receiver gave an answer that means nothing here (%d).", code)}
}

// targetURI gives the address as it is signed (RFC 9421, section 2.2.2).
func targetURI(u *url.URL) string {
	v := *u
	if v.Path == "" {
		v.Path = "/"
	}
	return v.String()
}

// longestAsk is how long a receiver may ask to be left alone.
const longestAsk = time.Hour

// retryAfter reads the field of that name (RFC 9110, section 10.2.3).
func (s *Sender) retryAfter(v string) time.Duration {
	var d time.Duration
	if n, err := strconv.Atoi(v); err == nil && n > 0 {
		d = time.Duration(min(n, int(longestAsk/time.Second))) * time.Second
	} else if at, err := http.ParseTime(v); err == nil {
		d = at.Sub(s.now())
	}
	return max(0, min(d, longestAsk))
}
