package web_test

import (
	"fmt"
	"testing"
	"time"
)

func TestPerformLook(t *testing.T) {
	b := newTab(t, 1440, 900)
	b.open(serve(t, copied(t)+"/greet.motion.yaml"))
	find := `[...document.querySelectorAll('.rehearse-open')].find(e => e.textContent === 'Perform')`
	b.do(find + `.click()`)
	b.until("it is open", `!document.querySelector('#perform-tool').hidden`)
	time.Sleep(300 * time.Millisecond)
	b.shoot("perform-open")
	_ = fmt.Sprint
}
