package sheet

import (
	"encoding/json"
	"fmt"
	"html"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// judge is a script that only the test puts into a page: it measures what the
// browser made of it and writes what it found into the document's title.
const judge = `<script>addEventListener("load", () => {
const found = [], told = new Set(), tell = s => { if (!told.has(s)) { told.add(s); found.push(s) } };
if (document.documentElement.scrollWidth > innerWidth) tell("wider than the screen: " + document.documentElement.scrollWidth);
let level = 0;
for (const h of document.querySelectorAll("h1,h2,h3,h4")) { const n = +h.tagName[1]; if (n > level + 1) tell("heading skips: " + h.textContent); level = n; if (!h.textContent.trim()) tell("empty heading") }
if (!document.querySelector("h1")) tell("no heading");
for (const t of document.querySelectorAll("table")) { const n = t.rows[0] && [...t.rows[0].cells].reduce((a, c) => a + c.colSpan, 0); for (const r of t.rows) if ([...r.cells].reduce((a, c) => a + c.colSpan, 0) !== n) tell("ragged table: " + r.textContent) }
for (const th of document.querySelectorAll("th")) if (!th.scope || !th.textContent.trim()) tell("a header says nothing, or not of what");
for (const s of document.querySelectorAll("svg")) if (!s.getAttribute("aria-label")) tell("a picture without words");
const light = c => { const v = c.match(/[\d.]+/g).slice(0, 3).map(x => { x /= 255; return x <= .03928 ? x / 12.92 : ((x + .055) / 1.055) ** 2.4 }); return .2126 * v[0] + .7152 * v[1] + .0722 * v[2] };
for (const e of document.querySelectorAll("main *:not(svg *)")) if (e.textContent.trim() && 1.05 / (light(getComputedStyle(e).color) + .05) < 7) tell("too little contrast: " + e.tagName);
const ids = [...document.querySelectorAll("[id]")].map(e => e.id); if (new Set(ids).size !== ids.length) tell("an id twice");
document.title = "FOUND" + JSON.stringify(found) })</script>`

// Every page in a browser, on a phone: nothing beyond the edge, headings in
// order, headers that say of what, contrast of 7 to 1 and more (WCAG 2.2, 1.4.6).
func TestPagesInABrowser(t *testing.T) {
	program(t, "chromium")
	for _, p := range papers(t) {
		page, err := p.HTML(printTime)
		require.NoError(t, err)
		require.NotContains(t, page, "<script")
		require.NotRegexp(t, `(src|href)=|url\([^#]|@import`, page, "a page needs no other file")
		path := file(t, "page.html", []byte(strings.Replace(page, "</head>", judge+"</head>", 1)))
		dom := run(t, "chromium", chromium(t, "--window-size=400,800", "--virtual-time-budget=3000", "--dump-dom", "file://"+path)...)
		said := regexp.MustCompile(`<title>FOUND(.*?)</title>`).FindStringSubmatch(dom)
		require.NotNil(t, said, "the page was not judged")
		var found []string
		require.NoError(t, json.Unmarshal([]byte(html.UnescapeString(said[1])), &found))
		require.Empty(t, found, p.Kind)
	}
}

// Printed by a browser, every sheet says what it belongs to, and the timeline
// lies on its side.
func TestPagesPrintedByABrowser(t *testing.T) {
	program(t, "chromium")
	for _, p := range papers(t) {
		if p.Kind == "labels" {
			continue
		}
		page, err := p.HTML(printTime)
		require.NoError(t, err)
		out := file(t, "page.pdf", nil)
		run(t, "chromium", chromium(t, "--no-pdf-header-footer", "--print-to-pdf="+out, "file://"+file(t, "page.html", []byte(page)))...)
		info := run(t, "pdfinfo", "-f", "1", "-l", "99", out)
		sheets := len(regexp.MustCompile(`Page +\d+ size: `).FindAllString(info, -1))
		require.Positive(t, sheets)
		for n := 1; n <= sheets; n++ {
			said := strings.Join(strings.Fields(run(t, "pdftotext", "-raw", "-f", fmt.Sprint(n), "-l", fmt.Sprint(n), out, "-")), " ")
			for _, want := range []string{p.stamp.line(), "printed Fri 27 Nov 02:20 -05:00", fmt.Sprintf("page %d of %d", n, sheets)} {
				require.Contains(t, said, want)
			}
		}
		if p.Kind == "plan" {
			require.Regexp(t, `size: +79\d\S* x 61\d`, info, "the timeline is set upright")
		}
	}
}
