package main

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"time"

	"lastlook/internal/notify"
	"lastlook/internal/notify/courier"
	"lastlook/internal/say"
	"lastlook/internal/store"
	"lastlook/kiosk"
)

const notifyHelp = `notify check [--data DIR]
       lastlook notify test [--to NAME] [--data DIR]
       lastlook notify list [--all] [--json] [--data DIR]

check reads notify.yaml in the data folder and says who is told of a stop, when,
and by which way. test sends each contact a test message now and reports line by
line. list shows the messages that have not arrived and why. The bench may go on
working meanwhile.`

func notifyCommand() command {
	return command{
		name:    "notify",
		summary: "check, try and list the messages about stops",
		run:     runNotify,
	}
}

func runNotify(ctx context.Context, t terminal, args []string) error {
	fs := newFlags(t, "notify", notifyHelp)
	data := dataFlag(fs)
	to := fs.String("to", "", "only the contact of that `name`; with test")
	all := fs.Bool("all", false, "delivered messages as well; with list")
	asJSON := fs.Bool("json", false, "write one JSON object a line; with list")
	rest, err := parse(fs, args)
	if err != nil {
		return err
	}
	if len(rest) != 1 {
		return usagef("say what to do: lastlook notify check, notify test or notify list")
	}
	do := rest[0]
	switch {
	case do != "check" && do != "test" && do != "list":
		return usagef("notify takes check, test or list, got %q", do)
	case do != "test" && given(fs, "to"):
		return usagef("--to belongs to lastlook notify test")
	case do != "list" && (*all || *asJSON):
		return usagef("--all and --json belong to lastlook notify list")
	}
	dir, err := dataFolder(*data)
	if err != nil {
		return err
	}
	if do == "list" {
		return listNotices(ctx, t, dir, *all, *asJSON)
	}
	cfg, err := courier.Load(dir)
	if err != nil {
		return err
	}
	if do == "check" {
		checkNotify(t, cfg)
		return nil
	}
	return testNotify(ctx, t, dir, cfg, *to)
}

// loadNotify reads who is told, from the data folder that --data or its defaults
// name.
func loadNotify(given string) (*courier.Config, error) {
	dir, err := dataFolder(given)
	if err != nil {
		return nil, err
	}
	return courier.Load(dir)
}

// startNotices begins to send messages beside the bench. The function it gives ends
// that, and returns when what is under way is over.
func startNotices(ctx context.Context, t terminal, cfg *kiosk.Config, who *courier.Config) (stop func(), err error) {
	st := cfg.Store
	site, err := st.Site(ctx)
	if err != nil {
		return nil, err
	}
	st.SetPlan(who.Plan)
	outside := len(who.Plan.Levels) > 0
	cfg.Notices = func() (say.Text, bool) {
		c, err := st.CountOutbox(ctx)
		if err != nil {
			return say.T("How messages stand cannot be read from the data file."), true
		}
		return c.Words(outside)
	}
	w := courier.NewWorker(st, who, courier.NewSender(who, site.Name))
	w.Log = slog.New(slog.NewTextHandler(t.err, nil))
	ctx, cancel := context.WithCancel(ctx)
	var running sync.WaitGroup
	running.Go(func() { w.Run(ctx) })
	return func() { cancel(); running.Wait() }, nil
}

// checkNotify says what would be done. It shows no secrets.
func checkNotify(t terminal, cfg *courier.Config) {
	if !cfg.Found {
		fmt.Fprintf(t.out, "There is no %s: nobody outside is told of a stop. It is shown on every screen, and can be printed.\n", cfg.Path)
		return
	}
	fmt.Fprintf(t.out, "%s is in order.\n", cfg.Path)
	if s := cfg.SMTP; s != nil {
		how := map[string]string{courier.StartTLS: "STARTTLS, which must verify", courier.TLS: "TLS, which must verify", courier.Open: "not encrypted, to this machine only"}[s.Security]
		login := "without a password"
		if s.User != "" {
			login = "as " + s.User
		}
		fmt.Fprintf(t.out, "Mail: by %s port %d, %s, %s, from %s\n", s.Host, s.Port, how, login, s.From)
	}
	for _, h := range cfg.Hooks {
		fmt.Fprintf(t.out, "Webhook %s: %s, signed\n", h.Name, h.URL)
	}
	told := map[string]bool{}
	names := func(cs []notify.Contact) string {
		var out []string
		for _, c := range cs {
			told[c.Name] = true
			var ways []string
			for _, ch := range c.Channels {
				ways = append(ways, string(ch))
			}
			out = append(out, fmt.Sprintf("%s (%s)", c.Name, strings.Join(ways, ", ")))
		}
		return strings.Join(out, "; ")
	}
	at := time.Duration(0)
	for i, l := range cfg.Plan.Levels {
		when := "at once"
		if i > 0 {
			when = fmt.Sprintf("%s after the stop, if nobody has answered", at)
		}
		fmt.Fprintf(t.out, "Level %d, %s: %s\n", i+1, when, names(l.Contacts))
		at += l.After
	}
	fmt.Fprintf(t.out, "Then the last level again and again, from %s on, until somebody answers.\n", at)
	if cfg.Plan.HeadsEvery > 0 {
		fmt.Fprintf(t.out, "Signed head, every %s: %s\n", cfg.Plan.HeadsEvery, names(cfg.Plan.HeadsTo))
	}
	for _, c := range cfg.Contacts {
		if !told[c.Name] {
			fmt.Fprintf(t.out, "ATTENTION: %s is in no level and gets no heads, so nothing is ever sent there.\n", c.Name)
		}
	}
}

func testNotify(ctx context.Context, t terminal, dir string, cfg *courier.Config, to string) error {
	if !cfg.Found {
		return fmt.Errorf("there is no %s: there is nobody to send to", cfg.Path)
	}
	contacts := cfg.Contacts
	if to != "" {
		c, ok := cfg.Contact(to)
		if !ok {
			var names []string
			for _, c := range cfg.Contacts {
				names = append(names, c.Name)
			}
			return usagef("there is no contact %q: --to can be one of %s", to, strings.Join(names, ", "))
		}
		contacts = []courier.Contact{c}
	}
	site := "test"
	if st, err := store.OpenReading(ctx, dir); err == nil {
		if s, err := st.Site(ctx); err == nil && s.Name != "" {
			site = s.Name
		}
		st.Close()
	}
	sender := courier.NewSender(cfg, site)
	missed := 0
	for _, c := range contacts {
		for _, tried := range sender.Try(ctx, c) {
			mark := "taken "
			if tried.Result.Fate != notify.Took {
				mark = "FAILED"
				missed++
			}
			fmt.Fprintf(t.out, "%s  %s, %s: %s\n", mark, tried.Contact, tried.Channel, tried.Result.Said)
		}
	}
	if missed > 0 {
		return fmt.Errorf("%s not taken: what to do stands beside each", count(missed, "test message was", "test messages were"))
	}
	return nil
}

// noticeLine is a message for programs.
type noticeLine struct {
	ID       string     `json:"id"`
	Occasion string     `json:"occasion"`
	Cause    string     `json:"cause"`
	Number   string     `json:"consignment,omitempty"`
	Contact  string     `json:"contact,omitempty"`
	Channel  string     `json:"channel"`
	Level    int        `json:"level"`
	Telling  int        `json:"telling"`
	State    string     `json:"state"`
	Failing  bool       `json:"failing"`
	Unsure   bool       `json:"unsure"` // an earlier try may have arrived
	QueuedAt time.Time  `json:"queued_at"`
	EndedAt  *time.Time `json:"ended_at,omitempty"`
	NextAt   *time.Time `json:"next_at,omitempty"`
	Attempts int        `json:"attempts"`
	Said     string     `json:"said,omitempty"`
	Answered bool       `json:"answered"`
}

func listNotices(ctx context.Context, t terminal, dir string, all, asJSON bool) error {
	st, err := store.OpenReading(ctx, dir)
	if err != nil {
		return err
	}
	defer st.Close()
	st.Now = time.Now
	open, err := st.OpenNotices(ctx)
	if err != nil {
		return err
	}
	unanswered := map[string]bool{}
	for _, n := range open {
		unanswered[n.ID] = true
	}
	now := time.Now()
	enc := json.NewEncoder(t.out)
	enc.SetEscapeHTML(false)
	shown := 0
	err = st.Outbox(ctx, all, func(l store.Line) error {
		shown++
		answered := l.Cause.Answered() && !unanswered[l.Notice]
		if asJSON {
			return enc.Encode(noticeLine{
				ID: l.ID, Occasion: l.Notice, Cause: string(l.Cause), Number: l.Number, Contact: l.Contact, Channel: string(l.Channel), Level: l.Level, Telling: l.Telling,
				State: l.Standing, Failing: l.Failing(now), Unsure: l.Unsure, QueuedAt: l.QueuedAt, EndedAt: unlessZero(l.EndedAt), NextAt: unlessZero(l.NextAt),
				Attempts: l.Attempts, Said: l.Said.String(), Answered: answered,
			})
		}
		who := l.Contact
		if who == "" {
			who = "everybody"
		}
		what := l.Cause.Words().String()
		if l.Number != "" {
			what += " " + oneLine(l.Number)
		}
		state := l.Word(now).String()
		if answered {
			state += ", stop answered"
		}
		fmt.Fprintf(t.out, "%s  %-9s %s  %s, %s", l.QueuedAt.Local().Format("2006-01-02 15:04"), state, what, who, l.Channel)
		if l.Attempts > 0 {
			fmt.Fprintf(t.out, ", %s", count(l.Attempts, "try", "tries"))
		}
		if l.Unsure {
			fmt.Fprint(t.out, ", may have arrived")
		}
		if l.Standing == notify.Waiting && l.NextAt.After(now) {
			fmt.Fprintf(t.out, ", again at %s", l.NextAt.Local().Format("15:04:05"))
		}
		if said := l.Said.String(); said != "" {
			fmt.Fprintf(t.out, "\n    %s", oneLine(said))
		}
		_, err := fmt.Fprintln(t.out)
		return err
	})
	if err != nil {
		return err
	}
	if shown == 0 && !asJSON {
		fmt.Fprintln(t.out, "Every message has arrived.")
	}
	return nil
}

func unlessZero(at time.Time) *time.Time {
	if at.IsZero() {
		return nil
	}
	return &at
}
