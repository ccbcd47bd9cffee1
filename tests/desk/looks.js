// What is wrong with how a page looks or is named; run in the page by `tests.desk.looking`.
({
  // Controls lower than 44 px; links within a paragraph are as high as their line (WCAG 2.2, 2.5.8).
  small() {
    return [...document.querySelectorAll("button, a, select, input, summary, label.chip")]
      .filter((e) => e.type !== "hidden" && !e.closest(".unseen") && !e.matches(".skip, p a:not(.button)"))
      .filter((e) => { const box = e.getBoundingClientRect(); return box.width && box.height < 43.5; })
      .map((e) => e.outerHTML.slice(0, 80));
  },
  // Controls and pictures without a name (WCAG 2.2, 4.1.2 and 1.1.1).
  nameless() {
    return [...document.querySelectorAll("button, a, select, input, textarea, img, svg[role=img]")]
      .filter((e) => e.type !== "hidden" && !(e.matches("a, button") && e.textContent.trim())
        && !(e.labels && [...e.labels].some((l) => l.textContent.trim())) && !e.getAttribute("alt")
        && !e.getAttribute("aria-label") && !e.getAttribute("aria-labelledby"))
      .map((e) => e.outerHTML.slice(0, 80));
  },
  // Text of too little contrast to what lies behind it: 4.5, or 3 if large (WCAG 2.2, 1.4.3).
  faint() {
    const light = (c) => (c / 255 <= 0.04045 ? c / 255 / 12.92 : ((c / 255 + 0.055) / 1.055) ** 2.4);
    const Y = (c) => 0.2126 * light(c[0]) + 0.7152 * light(c[1]) + 0.0722 * light(c[2]);
    const parse = (text) => (text.match(/[\d.]+/g) || []).map(Number);
    const behind = (e) => {
      for (; e; e = e.parentElement) {
        const c = parse(getComputedStyle(e).backgroundColor);
        if (c.length === 3 || c[3] > 0) return c;
      }
      return [255, 255, 255];
    };
    const found = [];
    for (const e of document.querySelectorAll("main *, header *, footer *")) {
      if (![...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim())) continue;
      if (!e.getBoundingClientRect().height || e.closest(".unseen, svg, datalist")) continue;
      const style = getComputedStyle(e), a = Y(parse(style.color)), b = Y(behind(e));
      const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
      const size = parseFloat(style.fontSize);
      const large = size >= 24 || (size >= 18.66 && style.fontWeight >= 700);
      if (ratio < (large ? 3 : 4.5)) found.push([ratio.toFixed(2), e.textContent.trim().slice(0, 40)]);
    }
    return found;
  },
  // An id given twice, no heading of the first rank or several, no language.
  built() {
    const ids = [...document.querySelectorAll("[id]")].map((e) => e.id);
    return [
      ...ids.filter((id, i) => ids.indexOf(id) !== i),
      ...(document.querySelectorAll("h1").length === 1 ? [] : ["h1"]),
      ...(document.documentElement.lang ? [] : ["lang"]),
    ];
  },
})
