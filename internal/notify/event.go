package notify

import (
	"bytes"
	"encoding/json"
	"fmt"

	"lastlook/internal/exact"
	"lastlook/internal/say"
)

// Event is something that happened to an occasion.
type Event interface{ Kind() string }

// Message is what is sent to one contact on one channel.
type Message struct {
	ID      string  `json:"id"`
	To      string  `json:"to,omitempty"` // name of the contact; "" for screen and print
	Channel Channel `json:"channel"`
}

// The events. Tellings count from 0.
type (
	// Raised opens an occasion's history, with the messages of the first telling.
	// Level is 0 if nobody outside could be told.
	Raised struct {
		ID string `json:"id"`
		Occasion
		Level    int       `json:"level,omitempty"`
		Messages []Message `json:"messages"`
	}
	// Escalated tells more people, because nobody answered.
	Escalated struct {
		Telling  int       `json:"telling"`
		Level    int       `json:"level"`
		Refused  bool      `json:"refused,omitempty"` // because nobody could be reached, not for the time
		Messages []Message `json:"messages"`
	}
	// Delivered records that a receiver's server took a message, or that a notice
	// was printed. It does not say that anybody read it.
	Delivered struct {
		Message string `json:"message"`
	}
	// Refused records that a receiver's server will never take a message. Status is
	// what it answered: of SMTP or of HTTP.
	Refused struct {
		Message string `json:"message"`
		Status  int    `json:"status"`
	}
	// Acknowledged is a person's answer: they know, and see to it. Who and
	// when stands beside the event.
	Acknowledged struct{}
)

// Kinds in storage. They never change once written.
func (Raised) Kind() string       { return "notice_raised" }
func (Escalated) Kind() string    { return "notice_escalated" }
func (Delivered) Kind() string    { return "notice_delivered" }
func (Refused) Kind() string      { return "notice_refused" }
func (Acknowledged) Kind() string { return "notice_acknowledged" }

// Encode gives the stored bytes of an event.
func Encode(e Event) ([]byte, error) { return exact.JSON(e) }

// Decode reads what Encode wrote.
func Decode(kind string, b []byte) (Event, error) {
	switch kind {
	case Raised{}.Kind():
		return decodeAs[Raised](b)
	case Escalated{}.Kind():
		return decodeAs[Escalated](b)
	case Delivered{}.Kind():
		return decodeAs[Delivered](b)
	case Refused{}.Kind():
		return decodeAs[Refused](b)
	case Acknowledged{}.Kind():
		return decodeAs[Acknowledged](b)
	}
	return nil, say.Refuse(say.Storage, "The notices hold a step of a kind this version does not know (%s). Start a newer version of Lastlook.", kind)
}

func decodeAs[E Event](b []byte) (Event, error) {
	var e E
	dec := json.NewDecoder(bytes.NewReader(b))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&e); err != nil {
		return nil, fmt.Errorf("decoding %s: %w", e.Kind(), err)
	}
	return e, nil
}
