package web_test

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

// needTool skips a test whose tool is missing, or fails it where tools are required.
func needTool(t testing.TB, what, hint string) {
	t.Helper()
	if os.Getenv("LIMBERJACK_TOOLS") == "required" {
		t.Fatalf("%s is missing (%s), and LIMBERJACK_TOOLS=required asks for it", what, hint)
	}
	t.Skipf("%s is missing: %s", what, hint)
}

// browser is one Chromium for all tests of the package.
var browser struct {
	once sync.Once
	ctx  context.Context
	end  []context.CancelFunc
	err  error
}

// TestMain ends the browser.
func TestMain(m *testing.M) {
	code := m.Run()
	endBrowser()
	os.Exit(code)
}

func endBrowser() {
	for i := len(browser.end) - 1; i >= 0; i-- {
		browser.end[i]()
	}
}

func startBrowser(path string) {
	dir, err := os.MkdirTemp("", "limberjack-browser-")
	if err != nil {
		browser.err = err
		return
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(path), chromedp.UserDataDir(dir), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true),
		chromedp.Flag("autoplay-policy", "no-user-gesture-required"), chromedp.Flag("hide-scrollbars", true))
	alloc, end := chromedp.NewExecAllocator(context.Background(), options...)
	ctx, endCtx := chromedp.NewContext(alloc)
	browser.end = append(browser.end, func() { os.RemoveAll(dir) }, end, endCtx)
	browser.ctx, browser.err = ctx, chromedp.Do(ctx)
}

// tab is a page in the browser. Whatever the page says of errors fails the test, unless
// it is expected.
type tab struct {
	t      testing.TB
	ctx    context.Context
	mu     sync.Mutex
	errors []string
	allow  []string // parts of errors that are meant to come
}

// newTab opens a tab of a size in CSS pixels.
func newTab(t testing.TB, width, height int64) *tab {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		needTool(t, "chromium", "Debian's package chromium")
	}
	browser.once.Do(func() { startBrowser(path) })
	if browser.err != nil {
		t.Fatal(browser.err)
	}
	ctx, end := chromedp.NewContext(browser.ctx)
	ctx, cancel := context.WithTimeout(ctx, 4*time.Minute)
	b := &tab{t: t, ctx: ctx}
	if err := chromedp.Do(ctx); err != nil {
		t.Fatal(err)
	}
	if err := chromedp.Listen(ctx, b.hear); err != nil {
		t.Fatal(err)
	}
	call(b, log.Enable, cdp.Empty{})
	call(b, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: width, Height: height, DeviceScaleFactor: 1, Mobile: width < 1000})
	t.Cleanup(func() {
		for _, e := range b.said() {
			t.Errorf("the page says: %s", e)
		}
		cancel()
		end()
	})
	return b
}

func (b *tab) hear(e any) {
	text := ""
	switch e := e.(type) {
	case *runtime.EventExceptionThrown:
		text = e.ExceptionDetails.Text + " " + e.ExceptionDetails.URL
		if x := e.ExceptionDetails.Exception; x != nil {
			text += " " + x.Description
		}
	case *log.EventEntryAdded:
		if e.Entry.Level == "error" {
			text = e.Entry.Text + " " + e.Entry.URL
		}
	case *runtime.EventConsoleAPICalled:
		if e.Type == "error" || e.Type == "warning" {
			for _, a := range e.Args {
				text += string(a.Value) + a.Description + " "
			}
		}
	}
	if text == "" {
		return
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.errors = append(b.errors, text)
}

// said gives the errors that were not meant to come.
func (b *tab) said() (list []string) {
	b.mu.Lock()
	defer b.mu.Unlock()
next:
	for _, e := range b.errors {
		for _, a := range b.allow {
			if strings.Contains(e, a) {
				continue next
			}
		}
		list = append(list, e)
	}
	return list
}

func (b *tab) failed(err error) {
	b.t.Helper()
	if err != nil {
		b.t.Fatalf("%v; the page said %q", err, b.said())
	}
}

// run does an action and gives what it gives.
func run[T any](b *tab, action chromedp.Action[T]) T {
	b.t.Helper()
	v, err := chromedp.Run(b.ctx, action)
	b.failed(err)
	return v
}

// call sends a command of the browser's protocol.
func call[P, R any](b *tab, command cdp.Command[P, R], params P) R {
	b.t.Helper()
	v, err := chromedp.Call(b.ctx, command, params)
	b.failed(err)
	return v
}

// open goes to an address and waits until the page is ready.
func (b *tab) open(url string) {
	b.t.Helper()
	run(b, chromedp.Navigate(url))
	b.until("the page is ready", `app && s.score && s.curves && s.connected`)
}

// withApp makes the page's store and actions known to an expression.
const withApp = `(async () => { const app = globalThis.limberjack, s = app && app.store.get(); return (%s) })()`

// get gives what an expression of the page is.
func get[T any](b *tab, expression string) T {
	b.t.Helper()
	return run(b, chromedp.Evaluate[T](fmt.Sprintf(withApp, expression), chromedp.EvalAwaitPromise))
}

// do runs a statement of the page.
func (b *tab) do(statement string) {
	b.t.Helper()
	get[bool](b, "(() => {"+statement+"; return true })()")
}

// until waits for an expression to be true.
func (b *tab) until(what, expression string) {
	b.t.Helper()
	for end := time.Now().Add(30 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		if get[bool](b, "!!("+expression+")") {
			return
		}
		if time.Now().After(end) {
			b.t.Fatalf("waited in vain until %s; the page said %q", what, b.said())
		}
	}
}

// keys types keys, such as "l" or kb.ArrowRight.
func (b *tab) keys(keys ...string) {
	b.t.Helper()
	for _, k := range keys {
		run(b, chromedp.KeyEvent(k))
	}
}

// shoot writes what the page shows to a PNG in the folder of screenshots, where one is
// asked for.
func (b *tab) shoot(name string) []byte {
	b.t.Helper()
	png := run(b, chromedp.CaptureScreenshot())
	if dir := os.Getenv("LIMBERJACK_SCREENSHOTS"); dir != "" {
		if err := os.WriteFile(filepath.Join(dir, name+".png"), png, 0o644); err != nil {
			b.t.Fatal(err)
		}
	}
	return png
}
