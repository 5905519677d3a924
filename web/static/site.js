// The only script of the pages: it shows how far an upload has come, and puts
// the answer in place without losing what was typed; and it turns a place on a
// trace into the time that a field asks. Without it the same forms are filled
// in by hand and sent by the browser.
"use strict";

function start() {
  for (const form of document.querySelectorAll("form[data-upload]")) {
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      send(form);
    });
  }
  for (const box of document.querySelectorAll("[data-pick]")) pick(box);
}

// A place on the trace, by click or by the arrow keys, goes as a time into the
// field that was used last, and the next field is aimed at.
function pick(box) {
  const form = box.closest("form");
  const fields = [...form.querySelectorAll("input[data-stamp]")];
  const { elapsed } = box.dataset;
  const [first, span, left, right] = ["first", "span", "left", "right"].map((k) => Number(box.dataset[k]));
  let at = 0;
  let aim = fields.find((f) => !f.value) || fields[0];
  const cursor = document.createElement("div");
  cursor.className = "cursor";
  const set = { role: "slider", "aria-label": "Place on the trace", "aria-valuemin": "0", "aria-valuemax": String(Math.round(span / 1000)) };
  for (const k in set) cursor.setAttribute(k, set[k]);
  cursor.tabIndex = 0;
  const told = document.createElement("p");
  told.className = "small";
  told.setAttribute("role", "status");

  const stamp = () => {
    const seconds = Math.round(at / 1000) + (elapsed === "true" ? 0 : Math.floor(first / 1000));
    const hours = Math.floor(seconds / 3600);
    const rest = [Math.floor(seconds / 60) % 60, seconds % 60].map((n) => String(n).padStart(2, "0")).join(":");
    return elapsed === "true" ? "+" + hours + ":" + rest : String(hours % 24).padStart(2, "0") + ":" + rest;
  };
  const show = () => {
    const share = left + (right - left) * at / span;
    cursor.style.left = 100 * share + "%";
    cursor.classList.toggle("late", share > 0.8);
    cursor.dataset.at = stamp();
    cursor.setAttribute("aria-valuenow", String(Math.round(at / 1000)));
    cursor.setAttribute("aria-valuetext", stamp());
  };
  const turn = (field) => {
    aim = field;
    for (const f of fields) f.classList.toggle("aim", f === aim);
    told.textContent = "A click on the trace, or Enter after the arrow keys on it, goes into: " + aim.dataset.stamp + ".";
  };
  const move = (to) => {
    at = Math.min(span, Math.max(0, Math.round(to / 1000) * 1000));
    show();
  };
  const put = () => {
    aim.value = stamp();
    turn(fields[(fields.indexOf(aim) + 1) % fields.length]);
  };
  // Places to which a click nearby is drawn, so that one stretch ends where the
  // next begins: both ends, the times in the fields, the recording's own marks.
  const places = () => {
    const said = [...form.querySelectorAll("datalist option")].map((o) => o.value);
    const out = [0, span];
    for (const text of [...fields.map((f) => f.value), ...said]) {
      const part = /^\+?(\d+):(\d\d):(\d\d)$/.exec(text);
      if (!part) continue;
      const ms = 1000 * (3600 * part[1] + 60 * part[2] + Number(part[3]));
      const day = 86400000;
      out.push(elapsed === "true" ? ms : ((ms - first) % day + day) % day);
    }
    return out;
  };
  box.addEventListener("click", (event) => {
    const edge = box.getBoundingClientRect();
    const pixel = span / (edge.width * (right - left));
    const to = ((event.clientX - edge.left) / edge.width - left) / (right - left) * span;
    const drawn = places().find((p) => Math.abs(p - to) < 6 * pixel);
    move(drawn === undefined ? to : drawn);
    put();
  });
  cursor.addEventListener("keydown", (event) => {
    const step = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1, PageDown: -30, PageUp: 30, Home: -Infinity, End: Infinity }[event.key];
    if (step) move(at + 1000 * step);
    else if (event.key === "Enter" || event.key === " ") put();
    else return;
    event.preventDefault();
  });
  for (const f of fields) f.addEventListener("focus", () => turn(f));
  box.append(cursor);
  box.parentElement.after(told);
  box.dataset.live = "";
  show();
  turn(aim);
}

function send(form) {
  const line = form.querySelector("[data-progress]");
  const bar = line.querySelector("progress");
  const text = line.querySelector("[role=status]");
  const button = form.querySelector("button[type=submit]");
  const request = new XMLHttpRequest();
  const say = (words) => { text.textContent = words; };
  const stop = (words) => {
    button.disabled = false;
    bar.hidden = true;
    say(words);
  };
  line.hidden = false;
  bar.hidden = false;
  bar.value = 0;
  button.disabled = true;
  say("Sending…");
  request.upload.addEventListener("progress", (e) => {
    if (!e.lengthComputable) return;
    bar.max = e.total;
    bar.value = e.loaded;
    say(e.loaded < e.total ? "Sent " + Math.floor(100 * e.loaded / e.total) + " %" : "Sent. Reading the recording…");
  });
  request.addEventListener("error", () => stop("The connection broke off. Nothing was stored; send it again."));
  request.addEventListener("abort", () => stop("Sending was stopped. Nothing was stored."));
  request.addEventListener("load", () => {
    const page = new DOMParser().parseFromString(request.responseText, "text/html");
    if (request.status < 400) {
      // An address that differs in its fragment alone would only be scrolled to.
      history.replaceState(null, "", request.responseURL + (form.dataset.upload || ""));
      location.reload();
      return;
    }
    document.title = page.title;
    const files = form.querySelector("input[type=file]").files;
    document.body.replaceWith(document.adoptNode(page.body));
    carry(files);
    start();
    const first = document.querySelector(".say");
    if (first) {
      first.tabIndex = -1;
      first.focus();
    }
  });
  request.open("POST", form.action);
  request.send(new FormData(form));
}

// Where the answer asks about the columns of a file, the file chosen goes over
// into the new form, so that one press sends it again.
function carry(files) {
  const again = document.querySelector("[data-again]");
  if (!again || files.length === 0) return;
  const carried = new DataTransfer();
  for (const file of files) carried.items.add(file);
  again.closest("form").querySelector("input[type=file]").files = carried.files;
  again.hidden = true;
}

start();
