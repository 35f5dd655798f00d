// Package courier carries messages out of the site: by mail and by webhook.
//
// [Load] reads notify.yaml of a data folder, [NewSender] makes what sends one
// message and says what came of it, and a [Worker] takes messages from the outbox
// until each was taken or refused for good. FORMAT.md says what a webhook
// receives and how to check it.
//
// A message is sent at least once. It can come twice only where nobody can know
// whether the first try arrived, and then it bears the same Message-ID or
// Idempotency-Key. The package decides nothing about who is told; that is package
// notify's. Addresses and secrets stay in the configuration: they are in no event
// and in no log.
package courier
