// What is changed is shown at once. Without this file every form has its button and every link its
// page: nothing here does what the server does not.
"use strict";
(function () {
  if (!window.fetch || !window.DOMParser) return;
  const form = document.querySelector("form[data-at-once]");
  document.documentElement.classList.add("at-once");
  let latest = 0;

  function address(data) {
    const told = new URLSearchParams();
    for (const [name, value] of data) if (String(value).trim()) told.append(name, value);
    return form.action + "?" + told;
  }

  // Pieces marked data-live are put in the place of those of the same id; focus stays where it was.
  function put(page) {
    const focused = document.activeElement && document.activeElement.id;
    for (const piece of page.querySelectorAll("[data-live][id]")) {
      if (piece.parentElement.closest("[data-live]")) continue;
      const old = document.getElementById(piece.id);
      // An option that is taken out, be it for a moment, leaves another one picked.
      if (old && old.tagName === "OPTION") old.textContent = piece.textContent;
      else if (old) old.replaceWith(document.importNode(piece, true));
    }
    for (const piece of page.querySelectorAll("[data-mark]")) {
      const old = document.querySelector(`[data-mark="${piece.dataset.mark}"]`);
      for (const name of old ? ["aria-invalid", "aria-describedby"] : []) {
        const said = piece.getAttribute(name);
        if (said === null) old.removeAttribute(name);
        else old.setAttribute(name, said);
      }
    }
    const again = focused && document.getElementById(focused);
    if (again && again !== document.activeElement) again.focus({ preventScroll: true });
  }

  // What was awaited comes by itself: what stands around it has been read, and may be unfolded.
  function putLate(pieces, page) {
    for (const old of pieces) {
      const piece = page.getElementById(old.id);
      if (piece) old.replaceWith(document.importNode(piece, true));
      else old.remove();
    }
  }

  async function show(url, sent, late) {
    const turn = ++latest;
    const answer = document.getElementById("answer");
    if (answer && !late) answer.setAttribute("aria-busy", "true");
    let text;
    try {
      const reply = await fetch(url, { headers: { "X-Part": "1" }, credentials: "same-origin" });
      text = await reply.text();
    } catch (error) {
      if (url !== window.location.href) window.location.href = url;
      else wait();
      return;
    }
    if (turn !== latest) return;
    const page = new DOMParser().parseFromString(text, "text/html");
    const awaited = late ? document.querySelectorAll("[data-late][id]") : [];
    if (awaited.length) putLate(awaited, page);
    else put(page);
    for (const [field, value] of sent || []) {
      if (field.value !== value) continue;
      const same = page.querySelector(`input[data-named][name="${field.name}"]`);
      if (same) field.value = same.value;
    }
    window.history.replaceState(null, "", url);
    wait();
  }

  function ask() {
    const named = [...form.querySelectorAll("input[data-named]")];
    show(address(new FormData(form)), named.map((field) => [field, field.value]));
  }

  // What takes seconds is looked for again until it is there.
  let waiting = 0;
  function wait() {
    window.clearTimeout(waiting);
    if (!document.querySelector("[data-pending]")) return;
    waiting = window.setTimeout(() => show(window.location.href, [], true), 1500);
  }
  wait();

  if (!form) return;
  form.addEventListener("change", (event) => {
    const field = event.target;
    if (field.name === "ink" && field.type === "radio") {
      const typed = form.querySelector('input[data-named][name="ink"]');
      if (typed) typed.value = "";
    }
    ask();
  });
  // A name picked from the list is complete before the field is left.
  form.addEventListener("input", (event) => {
    const field = event.target;
    if (!field.list || !field.value) return;
    if ([...field.list.options].some((one) => one.value === field.value)) ask();
  });
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    ask();
  });
  document.addEventListener("click", (event) => {
    const link = event.target.closest && event.target.closest("a[data-at-once]");
    if (!link || event.metaKey || event.ctrlKey || event.shiftKey || event.button) return;
    event.preventDefault();
    show(link.href);
  });
})();
