// While a version is written: line numbers, faults at their lines as they come,
// the words that fit, and nothing typed lost by a reload. And a rehearsal that
// goes on by itself. Without it the same forms are sent by the browser.
"use strict";

// What the list of words does follows the pattern "combobox with a list that the
// keyboard is not moved into" of the WAI-ARIA Authoring Practices Guide: the text
// keeps the focus, aria-activedescendant names the word.

function editor() {
  const form = document.getElementById("editor");
  if (!form) return;
  const areas = [...form.querySelectorAll("textarea.code")];
  const kept = "airwarrant draft " + form.dataset.keep;
  const texts = () => Object.fromEntries(areas.map((a) => [a.name, a.value]));
  const stored = JSON.stringify(texts());
  let sending = false;
  let waiting, running; // of the check
  let dirty = "unsaved" in form.dataset;

  // Nothing typed is lost by a reload or by going away and coming back.
  restore();
  for (const area of areas) {
    gutter(area);
    words(area, form);
    area.addEventListener("input", () => {
      dirty = JSON.stringify(texts()) !== stored || "unsaved" in form.dataset;
      keep();
      later();
    });
  }
  form.addEventListener("submit", () => { sending = true; });
  window.addEventListener("beforeunload", (event) => {
    if (dirty && !sending) event.preventDefault();
  });

  function keep() {
    try {
      if (dirty) sessionStorage.setItem(kept, JSON.stringify({ rev: form.dataset.rev, texts: texts() }));
      else sessionStorage.removeItem(kept);
    } catch { /* a full or forbidden store costs the copy, and nothing else */ }
  }

  function restore() {
    let was;
    try {
      was = JSON.parse(sessionStorage.getItem(kept));
      sessionStorage.removeItem(kept);
    } catch { return; }
    // Of another revision it was stored, or stands in the form of the answer.
    if (!was || was.rev !== form.dataset.rev || "unsaved" in form.dataset || JSON.stringify(was.texts) === stored) return;
    for (const area of areas) if (area.name in was.texts) area.value = was.texts[area.name];
    const say = form.querySelector("[data-back]");
    say.textContent = form.dataset.sayBack;
    say.hidden = false;
    dirty = true;
    keep();
    later();
  }

  // The check of what is being typed.
  function later() {
    clearTimeout(waiting);
    waiting = setTimeout(check, 600);
  }
  async function check() {
    if (running) running.abort();
    running = new AbortController();
    try {
      const answer = await fetch(form.dataset.check, { method: "POST", body: new URLSearchParams(new FormData(form)), signal: running.signal });
      if (!answer.ok) return; // the page says it when it is sent
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("found");
      const old = document.getElementById("found");
      if (!fresh || !old) return;
      // The line that is read aloud stays the same element.
      const say = old.querySelector("#found-say");
      const said = fresh.querySelector("#found-say");
      if (say.textContent !== said.textContent) say.textContent = said.textContent;
      while (say.nextSibling) say.nextSibling.remove();
      while (said.nextSibling) old.append(document.adoptNode(said.nextSibling));
      faults();
    } catch { /* aborted by what was typed since, or offline */ }
  }

  // faults leads from each fault to its line, and marks the line.
  function faults() {
    const marks = {};
    for (const item of document.querySelectorAll("#found [data-line]")) {
      const line = Number(item.dataset.line);
      const area = form.querySelector("textarea[name=" + item.dataset.in + "]");
      if (!line || !area) continue;
      (marks[area.name] ||= new Set()).add(line);
      const place = item.querySelector("span");
      const button = document.createElement("button");
      button.type = "button";
      button.className = "quiet";
      button.textContent = place.textContent;
      button.addEventListener("click", () => go(area, line, Number(item.dataset.column)));
      place.replaceChildren(button);
    }
    for (const area of areas) area.marks(marks[area.name] || new Set());
  }
  faults();
}

function go(area, line, column) {
  const lines = area.value.split("\n");
  let at = 0;
  for (let i = 0; i < line - 1 && i < lines.length; i++) at += lines[i].length + 1;
  at += Math.max(0, column - 1);
  for (let d = area.closest("details"); d; d = d.parentElement.closest("details")) d.open = true;
  area.focus();
  area.setSelectionRange(at, at);
  area.scrollTop = Math.max(0, (line - 5) * height(area));
}

function height(area) {
  return parseFloat(getComputedStyle(area).lineHeight);
}

// gutter numbers the lines beside a text.
function gutter(area) {
  const box = area.parentElement;
  const numbers = document.createElement("pre");
  numbers.className = "gutter";
  numbers.setAttribute("aria-hidden", "true");
  box.prepend(numbers);
  let marked = new Set();
  let shown = "";
  const draw = () => {
    const n = area.value.split("\n").length;
    const key = n + " " + [...marked].join(" ");
    if (key !== shown) {
      shown = key;
      numbers.replaceChildren();
      for (let i = 1; i <= n; i++) {
        const b = document.createElement(marked.has(i) ? "b" : "span");
        b.textContent = (marked.has(i) ? "▲ " : "") + i + "\n";
        numbers.append(b);
      }
    }
    numbers.style.height = area.offsetHeight + "px";
    numbers.scrollTop = area.scrollTop;
  };
  area.marks = (set) => {
    marked = set;
    draw();
  };
  area.addEventListener("input", draw);
  area.addEventListener("scroll", () => { numbers.scrollTop = area.scrollTop; });
  new ResizeObserver(draw).observe(area);
  draw();
}

// words offers what fits where the cursor stands.
let offered;
function words(area, form) {
  const list = document.createElement("ul");
  list.className = "fits";
  list.id = "fits-" + area.name;
  list.setAttribute("role", "listbox");
  list.setAttribute("aria-label", form.dataset.sayList);
  list.hidden = true;
  const told = document.createElement("p");
  told.className = "skip";
  told.setAttribute("role", "status");
  area.parentElement.append(list, told);
  area.setAttribute("aria-autocomplete", "list");
  area.setAttribute("aria-haspopup", "listbox");
  area.setAttribute("aria-controls", list.id);
  let fits = [];
  let active = -1;
  let typed = "";

  const close = () => {
    list.hidden = true;
    active = -1;
    area.removeAttribute("aria-activedescendant");
    told.textContent = "";
  };
  const point = (i) => {
    active = i;
    [...list.children].forEach((item, k) => item.setAttribute("aria-selected", String(k === i)));
    if (i < 0) {
      area.removeAttribute("aria-activedescendant");
      return;
    }
    area.setAttribute("aria-activedescendant", list.children[i].id);
    list.children[i].scrollIntoView({ block: "nearest" });
  };
  const take = (i) => {
    const word = fits[i].word;
    area.setRangeText(word, area.selectionStart - typed.length, area.selectionStart, "end");
    close();
    area.dispatchEvent(new Event("input"));
  };
  const open = async (asked) => {
    offered ||= fetch(form.dataset.words).then((r) => r.json());
    const all = await offered.catch(() => null);
    if (!all) return;
    const at = place(area);
    typed = at.word;
    fits = fitting(all, at).slice(0, 10);
    if (fits.length === 0 || !asked && (typed.length < 2 || fits[0].word === typed)) {
      close();
      return;
    }
    list.replaceChildren();
    fits.forEach((fit, i) => {
      const item = document.createElement("li");
      item.id = list.id + "-" + i;
      item.setAttribute("role", "option");
      item.setAttribute("aria-selected", "false");
      const name = document.createElement("b");
      name.textContent = fit.word;
      item.append(name, fit.says || "");
      item.addEventListener("mousedown", (event) => {
        event.preventDefault();
        take(i);
      });
      list.append(item);
    });
    list.style.top = Math.min(area.offsetHeight, 8 + (at.line + 1) * height(area) - area.scrollTop) + "px";
    list.style.left = "3.4em";
    list.hidden = false;
    told.textContent = fits.length + " " + form.dataset.sayCount;
    point(asked ? 0 : -1);
  };
  area.addEventListener("input", (event) => {
    if (event.inputType === "insertText" && /[a-z_]/.test(event.data || "")) open(false);
    else if (!list.hidden) close();
  });
  area.addEventListener("blur", close);
  area.addEventListener("scroll", close);
  area.addEventListener("keydown", (event) => {
    if (event.ctrlKey && event.code === "Space") {
      event.preventDefault();
      open(true);
      return;
    }
    if (list.hidden) return;
    switch (event.key) {
      case "ArrowDown": point((active + 1) % fits.length); break;
      case "ArrowUp": point(active <= 0 ? fits.length - 1 : active - 1); break;
      case "Enter":
        if (active < 0) {
          close();
          return;
        }
        take(active);
        break;
      case "Escape": close(); break;
      default: return;
    }
    event.preventDefault();
  });
}

// place says where the cursor of a text stands: in which line, behind which key,
// and behind which letters of a word.
function place(area) {
  const before = area.value.slice(0, area.selectionStart);
  const line = before.split("\n").length - 1;
  const here = before.slice(before.lastIndexOf("\n") + 1);
  const word = /[A-Za-z0-9_]*$/.exec(here)[0];
  const left = here.slice(0, here.length - word.length);
  const behind = /(?:^|[\s{,[-])([a-z_]+):\s*(?:\[[^\]]*)?$/.exec(left);
  // The fact that the clause around names, on this line or in the ones just above.
  const facts = [...before.matchAll(/\bfact:\s*([a-z0-9_]+)/g)];
  const fact = facts.length > 0 ? facts[facts.length - 1][1] : "";
  const number = /:\s*-?[0-9.]+\s$/.test(left);
  return { line, word, key: behind ? behind[1] : "", fact, number };
}

function fitting(all, at) {
  const plain = (list) => (list || []).map((word) => ({ word, says: "" }));
  let from;
  if (at.number) from = plain(all.units[at.fact]);
  else if (at.key && all.of[at.key]) from = all[all.of[at.key]];
  else if (at.key === "is" || at.key === "one_of") from = plain(all.words[at.fact]);
  else if (at.key) from = plain(all.values[at.key]);
  else from = all.keys.concat(all.facts);
  const begins = from.filter((fit) => fit.word.startsWith(at.word));
  const holds = at.word.length > 1 ? from.filter((fit) => !fit.word.startsWith(at.word) && fit.word.includes(at.word)) : [];
  return begins.concat(holds);
}

// rehearsal goes on by itself, request by request, until it is through or
// stopped; each request keeps what it did.
function rehearsal() {
  const form = document.getElementById("go");
  if (!form) return;
  const stop = document.querySelector("[data-stop]");
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    run(form, stop);
  });
}

async function run(form, stop) {
  const part = document.querySelector("[data-rehearsal]");
  const bar = part.querySelector("[data-progress-bar]");
  const say = (words) => { part.querySelector("[role=status]").textContent = words; };
  let going = true;
  const halt = () => { going = false; };
  form.querySelector("button").disabled = true;
  stop.hidden = false;
  stop.addEventListener("click", halt);
  bar.hidden = false;
  say(form.dataset.sayGoing);
  stop.focus();
  let page;
  while (going) {
    try {
      const answer = await fetch(form.action, { method: "POST", body: new URLSearchParams(new FormData(form)) });
      page = new DOMParser().parseFromString(await answer.text(), "text/html");
      const status = page.querySelector("[data-rehearsal] [role=status]");
      if (!answer.ok || !status) {
        document.title = page.title;
        document.body.replaceWith(document.adoptNode(page.body));
        start();
        rehearsal();
        return;
      }
      say(status.textContent);
      if (!page.getElementById("go")) break;
    } catch {
      say(form.dataset.sayBroke);
      bar.hidden = true;
      stop.hidden = true;
      form.querySelector("button").disabled = false;
      return;
    }
  }
  const stopped = !going && page && page.getElementById("go");
  if (page) document.querySelector("main").replaceWith(document.adoptNode(page.querySelector("main")));
  rehearsal();
  const status = document.querySelector("[data-rehearsal] [role=status]");
  if (stopped) status.textContent += " " + form.dataset.sayStopped;
  status.tabIndex = -1;
  status.focus();
}

editor();
rehearsal();
