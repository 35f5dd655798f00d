package notify

import "lastlook/internal/consignment"

// Answers reports whether somebody answered a stop by one of the steps, and gives
// that step: whoever decides what becomes of a stop knows of it.
func Answers(steps []consignment.Recorded) (by consignment.Recorded, ok bool) {
	for _, rec := range steps {
		if _, ok := rec.Event.(consignment.StopAnswered); ok {
			return rec, true
		}
	}
	return consignment.Recorded{}, false
}
