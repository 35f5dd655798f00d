package kiosk

import (
	"github.com/gin-gonic/gin"

	"lastlook/internal/say"
)

// sampleRoutes lists the routes of samples and holds.
func (k *kiosk) sampleRoutes(e *gin.Engine) {
}

// scanSample opens a sample.
func (k *kiosk) scanSample(s scanned, sample string) (answer, error) {
	if _, err := k.store.SampleOf(s.ctx, sample); err != nil {
		return answer{}, err
	}
	return right(say.T("Sample %s", sample), "/s/"+sample), nil
}
