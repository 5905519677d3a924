// A trace comes as a drawing, and stands as it is without this script. With it
// the drawing is moved and drawn closer, what lies under the pointer is read
// out, doubted readings are hidden, and a place becomes the time that a field
// asks. Every part is drawn by the server; between two drawings the last one is
// stretched.
"use strict";

// tell is a text in the language of the page, which comes with it; each %s is
// filled in order.
const said = JSON.parse(document.querySelector("meta[name=said]").content);
function tell(name, ...args) {
  return said[name].replace(/%s/g, () => args.shift());
}

function traces() {
  for (const wrap of document.querySelectorAll("[data-traces]")) {
    wrap.querySelectorAll("div.ws-trace").forEach((frame, n) => {
      const box = document.createElement("div");
      box.className = "trace";
      box.dataset.trace = wrap.dataset.traces + "?trace=" + n;
      box.append(...frame.childNodes);
      frame.append(box);
    });
    wrap.removeAttribute("data-traces");
  }
  for (const box of document.querySelectorAll("[data-trace]:not([data-live])")) trace(box);
}

// Parts are asked for one after the other, and no more often than this, in ms.
const TRACE_PACE = 250;

function trace(box) {
  let svg = box.querySelector("svg");
  if (!svg) return;
  const whole = svg;
  const sheet = svg.viewBox.baseVal.width;
  const [left, right] = svg.dataset.plot.split(" ").map(Number);
  const width = right - left;
  const pick = picker(box);
  const all = Number(svg.dataset.ms);
  // What the server drew last; of the drawing that came with the page the
  // readings are not there yet.
  let part = { from: 0, to: all, shortest: all, readings: null, notes: [] };
  let shown = [0, all]; // that is looked at, ms
  let hide = false;
  let at = 0; // of the cursor, ms
  let placed = false; // by somebody
  let first = null; // promise of the first part, while it is asked for
  let rest = Promise.resolve(); // until the first part may be asked for again
  let asks = 0;
  let took = 0; // number of the ask that part answers
  let over = null; // place of the pointer on the sheet
  let busy = false;
  let again = false;

  const make = (name, set, text) => {
    const e = document.createElement(name);
    for (const k in set) e.setAttribute(k, set[k]);
    if (text) e.textContent = text;
    return e;
  };
  const cursor = make("div", { class: "cursor", role: "slider", tabindex: "0", "aria-label": tell("place"), "aria-valuemin": "0", "aria-valuemax": String(Math.round(all / 1000)), "aria-valuenow": "0", "aria-valuetext": tell("start") });
  const hair = make("div", { class: "hair", hidden: "" });
  const told = make("p", { class: "small reading" }, tell("help"));
  const bar = make("div", { class: "do no-print trace-bar", role: "group", "aria-label": tell("shows") });
  const button = (text, act) => {
    const b = make("button", { type: "button" }, text);
    b.addEventListener("click", () => ready().then(act));
    bar.append(b);
    return b;
  };

  const ask = async () => {
    const no = ++asks;
    const asked = new URL(box.dataset.trace, location.href);
    asked.searchParams.set("from", Math.round(shown[0]));
    asked.searchParams.set("to", Math.round(shown[1]));
    if (hide) asked.searchParams.set("doubted", "hide");
    try {
      const answer = await fetch(asked);
      if (!answer.ok) throw new Error(String(answer.status));
      const drawn = await answer.json();
      // Another session or stretch counts since: its parts do not fit this page.
      if (drawn.whole !== all) throw new Error("length");
      if (no > took) take(drawn);
      took = Math.max(took, no);
    } catch {
      told.textContent = tell("lost");
    }
  };
  // ready asks for the first part when somebody first turns to the trace. One
  // that was lost is asked for again at the next turn, and that turn waits for it.
  const ready = () => {
    if (part.readings) return Promise.resolve();
    if (!first) {
      first = rest.then(ask).then(() => {
        first = null;
        rest = new Promise((done) => { setTimeout(done, TRACE_PACE); });
      });
    }
    return first;
  };
  const load = async () => {
    again = true;
    if (busy) return;
    busy = true;
    while (again) {
      again = false;
      const pause = new Promise((done) => { setTimeout(done, TRACE_PACE); });
      await ask();
      await pause;
    }
    busy = false;
  };
  const take = (answer) => {
    part = answer;
    const page = new DOMParser().parseFromString(part.svg, "image/svg+xml");
    const fresh = document.importNode(page.documentElement, true);
    svg.replaceWith(fresh);
    svg = fresh;
    lay();
    if (over !== null) point();
  };

  // Places: x on the sheet and time, in what is looked at.
  const timeAt = (x) => shown[0] + ((x - left) / width) * (shown[1] - shown[0]);
  const placeOf = (ms) => left + ((ms - shown[0]) / (shown[1] - shown[0])) * width;
  const onSheet = (event) => {
    const edge = box.getBoundingClientRect();
    return ((event.clientX - edge.left) / edge.width) * sheet;
  };
  const xOf = (event) => Math.min(right, Math.max(left, onSheet(event)));

  // lay stretches the last drawing over what is looked at.
  const lay = () => {
    const scale = (part.to - part.from) / (shown[1] - shown[0]);
    const move = placeOf(part.from) - left * scale;
    const still = Math.abs(scale - 1) < 1e-4 && Math.abs(move) < 0.02; // the server cuts to milliseconds
    for (const g of svg.querySelectorAll(".ws-run")) {
      if (still) g.removeAttribute("transform");
      else g.setAttribute("transform", `matrix(${scale} 0 0 1 ${move} 0)`);
    }
    for (const g of svg.querySelectorAll(".ws-at")) {
      const x = Number(g.dataset.x);
      const to = x * scale + move;
      g.setAttribute("visibility", still || (to >= left && to <= right) ? "visible" : "hidden");
      if (still) g.removeAttribute("transform");
      else g.setAttribute("transform", `translate(${to - x} 0)`);
    }
    const entirely = shown[1] - shown[0] >= all - 1;
    // Not disabled: that would take the focus away from whoever pressed it.
    const idle = [[wider, entirely], [entire, entirely], [closer, shown[1] - shown[0] <= part.shortest + 1], [earlier, shown[0] <= 0.5], [later, shown[1] >= all - 0.5]];
    for (const [b, off] of idle) b.setAttribute("aria-disabled", String(off));
    box.classList.toggle("close", !entirely);
    drawSet();
    drawCursor();
  };
  // drawSet puts a line at each time that stands in a field.
  const drawSet = () => {
    for (const line of box.querySelectorAll(".set")) line.remove();
    for (const ms of pick ? pick.set() : []) {
      if (ms < shown[0] || ms > shown[1]) continue;
      const line = make("div", { class: "set" });
      line.style.left = (100 * placeOf(ms)) / sheet + "%";
      box.append(line);
    }
  };
  const look = (from, to) => {
    const length = Math.round(Math.min(all, Math.max(part.shortest, to - from)));
    from = Math.round(Math.min(all - length, Math.max(0, from)));
    if (Math.abs(from - shown[0]) + Math.abs(from + length - shown[1]) < 1) return;
    shown = [from, from + length];
    lay();
    load();
  };
  // zoom keeps the time at ms where it stands.
  const zoom = (times, ms) => {
    const length = Math.min(all, Math.max(part.shortest, (shown[1] - shown[0]) * times));
    const share = (ms - shown[0]) / (shown[1] - shown[0]);
    look(ms - share * length, ms + (1 - share) * length);
  };
  const pan = (share) => look(shown[0] + share * (shown[1] - shown[0]), shown[1] + share * (shown[1] - shown[0]));
  const middle = () => (placed && !outside() ? at : (shown[0] + shown[1]) / 2);

  // read says what the recording holds at a time.
  const read = (ms) => {
    if (!part.readings || ms < part.from - 1 || ms > part.to + 1) return "";
    const x = left + ((ms - part.from) / (part.to - part.from)) * width + 0.005;
    let low = 0;
    let high = part.readings.length;
    while (low < high) {
      const m = (low + high) >> 1;
      if (part.readings[m][0] <= x) low = m + 1;
      else high = m;
    }
    const r = part.readings[low - 1];
    if (!r || x > Math.max(r[1], r[0] + width / 872)) return tell("record");
    const [, , begins, ends, least, greatest, pulse, note] = r;
    const when = begins === ends ? begins : tell("range", begins, ends);
    let say = least === "" ? "" : (least === greatest ? least : tell("range", least, greatest)) + " %";
    if (say && pulse) say = tell("pulse", say, pulse);
    if (note) say += (say ? "; " : "") + part.notes[note];
    return when + ": " + (say || tell("none"));
  };
  const point = () => {
    hair.hidden = false;
    hair.style.left = (100 * over) / sheet + "%";
    told.textContent = read(timeAt(over)) || told.textContent;
  };
  const outside = () => at < shown[0] - 1 || at > shown[1] + 1;
  const drawCursor = () => {
    const share = Math.min(right, Math.max(left, placeOf(at))) / sheet;
    cursor.classList.toggle("off", outside());
    cursor.style.left = 100 * share + "%";
    cursor.classList.toggle("late", share > 0.8);
    const reading = read(at);
    cursor.dataset.at = pick ? pick.stamp(at) : reading.split(": ")[0];
    cursor.setAttribute("aria-valuenow", String(Math.round(at / 1000)));
    cursor.setAttribute("aria-valuetext", pick ? pick.stamp(at) + (reading ? ", " + reading : "") : reading || tell("drawn"));
    if (reading && document.activeElement === cursor) told.textContent = reading;
  };
  const move = (to) => {
    placed = true;
    at = Math.min(all, Math.max(0, to));
    if (pick) at = Math.min(all, Math.round(at / 1000) * 1000);
    if (at < shown[0]) look(at - 0.1 * (shown[1] - shown[0]), shown[1] - shown[0] + at - 0.1 * (shown[1] - shown[0]));
    else if (at > shown[1]) look(at - 0.9 * (shown[1] - shown[0]), at + 0.1 * (shown[1] - shown[0]));
    else drawCursor();
  };

  const earlier = button("◀ " + tell("earlier"), () => pan(-0.5));
  const closer = button(tell("closer"), () => zoom(0.5, middle()));
  const wider = button(tell("wider"), () => zoom(2, middle()));
  const later = button(tell("later") + " ▶", () => pan(0.5));
  const entire = button(tell("entire"), () => look(0, all));
  const label = make("label", { class: "pick" });
  const doubted = make("input", { type: "checkbox" });
  label.append(doubted, " " + tell("hide"));
  bar.append(label);
  doubted.addEventListener("change", () => {
    hide = doubted.checked;
    load();
  });

  // The pointer: it reads, a drag moves what is drawn closer, a press sets the
  // cursor, and the wheel with Ctrl draws closer. Two fingers draw closer about
  // what lies under them; one moves it along. The page scrolls under one finger as
  // ever, up and down, and across where the whole is shown (touch-action).
  const held = new Map(); // by pointer: where it is on the sheet, and the time that it holds
  let dragged = false;
  const hold = () => {
    for (const h of held.values()) h.ms = timeAt(h.x);
  };
  const drag = () => {
    const [one, two] = [...held.values()].sort((a, b) => a.ms - b.ms);
    let length = shown[1] - shown[0];
    if (two) length = ((two.ms - one.ms) / Math.max(1, two.x - one.x)) * width;
    length = Math.min(all, Math.max(part.shortest, length));
    const from = one.ms - ((one.x - left) / width) * length;
    look(from, from + length);
    // At an end of the session a screen that is narrower than the sheet goes on.
    const pixels = (width / sheet) * (box.getBoundingClientRect().width / length);
    box.parentElement.scrollLeft += (from - shown[0]) * pixels;
  };
  const free = (event) => {
    held.delete(event.pointerId);
    hold();
  };
  box.addEventListener("pointerenter", ready);
  box.addEventListener("pointerdown", (event) => {
    if (event.button !== 0 || held.size === 2) return;
    if (held.size === 0) dragged = false;
    held.set(event.pointerId, { x: onSheet(event), from: event.clientX });
    hold();
    ready();
  });
  box.addEventListener("pointermove", (event) => {
    if (event.buttons === 0) free(event); // let go outside
    const h = held.get(event.pointerId);
    if (!h) {
      over = xOf(event);
      point();
      return;
    }
    if (!dragged && Math.abs(event.clientX - h.from) < 5) return;
    dragged = true;
    box.setPointerCapture(event.pointerId);
    h.x = onSheet(event);
    drag();
  });
  for (const end of ["pointerup", "pointercancel"]) box.addEventListener(end, free);
  box.addEventListener("pointerleave", () => {
    over = null;
    hair.hidden = true;
  });
  box.addEventListener("wheel", (event) => {
    if (!(event.ctrlKey || event.metaKey)) return;
    event.preventDefault();
    zoom(Math.exp(Math.max(-100, Math.min(100, event.deltaY)) / 200), timeAt(xOf(event)));
  }, { passive: false });
  box.addEventListener("click", (event) => {
    if (dragged) {
      dragged = false;
      return;
    }
    const ms = timeAt(xOf(event));
    const pixel = (shown[1] - shown[0]) / (box.getBoundingClientRect().width * (width / sheet));
    move(pick ? pick.near(ms, 6 * pixel, all) : ms);
    if (pick) pick.put(at);
    else ready().then(() => { told.textContent = read(at); });
  });
  cursor.addEventListener("focus", () => {
    if (outside()) move((shown[0] + shown[1]) / 2);
    ready().then(drawCursor);
  });
  cursor.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const step = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1, PageDown: -30, PageUp: 30, Home: -Infinity, End: Infinity }[event.key];
    const act = {
      "+": () => zoom(0.5, middle()), "=": () => zoom(0.5, middle()), "-": () => zoom(2, middle()), "−": () => zoom(2, middle()),
      0: () => look(0, all),
    }[event.key];
    const put = pick && (event.key === "Enter" || event.key === " ");
    if (!step && !act && !put) return;
    event.preventDefault();
    ready().then(drawCursor);
    // A mark is set to the second; to read, a step is what can be seen.
    const one = () => (pick ? 1000 : Math.max(1000, (shown[1] - shown[0]) / 300));
    if (step) move(Math.abs(step) === Infinity ? (step < 0 ? 0 : all) : at + step * one());
    else if (put) pick.put(at);
    else ready().then(act);
  });

  // Paper shows what the server drew first: the whole.
  let before = null;
  addEventListener("beforeprint", () => {
    before = svg;
    svg.replaceWith(whole);
  });
  addEventListener("afterprint", () => {
    if (before && before !== whole) whole.replaceWith(before);
    before = null;
  });

  box.append(cursor, hair);
  const frame = box.parentElement;
  frame.after(bar, told);
  if (pick) told.after(pick.told);
  box.dataset.live = "";
  if (pick) {
    pick.onchange(drawSet);
    drawSet();
    drawCursor();
  }
}

// picker turns a place into the time of a field: of the field that was used
// last, after which the next one is aimed at. It is null where the trace sets
// no marks.
function picker(box) {
  if (!("pick" in box.dataset)) return null;
  const form = box.closest("form");
  const fields = [...form.querySelectorAll("input[data-stamp]")];
  const elapsed = box.dataset.elapsed === "true";
  const first = Number(box.dataset.first);
  let aim = fields.find((f) => !f.value) || fields[0];
  const told = document.createElement("p");
  told.className = "small";
  told.setAttribute("role", "status");

  const stamp = (at) => {
    const seconds = Math.round(at / 1000) + (elapsed ? 0 : Math.floor(first / 1000));
    const hours = Math.floor(seconds / 3600);
    const rest = [Math.floor(seconds / 60) % 60, seconds % 60].map((n) => String(n).padStart(2, "0")).join(":");
    return elapsed ? "+" + hours + ":" + rest : String(hours % 24).padStart(2, "0") + ":" + rest;
  };
  const turn = (field) => {
    aim = field;
    for (const f of fields) f.classList.toggle("aim", f === aim);
    told.textContent = tell("aim", aim.dataset.stamp);
  };
  // place is where a time that is written stands, null if it is none.
  const place = (text) => {
    const part = /^\+?(\d+):(\d\d)(?::(\d\d))?$/.exec(text.trim());
    if (!part) return null;
    const ms = 1000 * (3600 * part[1] + 60 * part[2] + Number(part[3] || 0));
    const day = 86400000;
    return elapsed ? ms : ((ms - first) % day + day) % day;
  };
  const set = () => fields.map((f) => place(f.value)).filter((ms) => ms !== null);
  // Places to which a click nearby is drawn, so that one stretch ends where the
  // next begins: both ends, the times in the fields, the recording's own marks.
  const places = (whole) => {
    const marks = [...form.querySelectorAll("datalist option")].map((o) => place(o.value));
    return [0, whole, ...set(), ...marks.filter((ms) => ms !== null)];
  };
  let changed = () => {};
  for (const f of fields) {
    f.addEventListener("focus", () => turn(f));
    f.addEventListener("input", () => changed());
  }
  turn(aim);
  return {
    told,
    stamp,
    set,
    onchange: (act) => { changed = act; },
    near: (ms, most, whole) => {
      const drawn = places(whole).find((p) => Math.abs(p - ms) < most);
      return drawn === undefined ? ms : drawn;
    },
    put: (at) => {
      aim.value = stamp(at);
      changed();
      turn(fields[(fields.indexOf(aim) + 1) % fields.length]);
    },
  };
}
