// It shows how far an upload has come, and puts the answer in place without
// losing what was typed. Without it the same forms are sent by the browser.
"use strict";

function start() {
  for (const form of document.querySelectorAll("form[data-upload]")) {
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      send(form);
    });
  }
  traces(); // trace.js
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
  say(tell("sending"));
  request.upload.addEventListener("progress", (e) => {
    if (!e.lengthComputable) return;
    bar.max = e.total;
    bar.value = e.loaded;
    say(e.loaded < e.total ? tell("sent", Math.floor(100 * e.loaded / e.total)) : tell("whole"));
  });
  request.addEventListener("error", () => stop(tell("broke")));
  request.addEventListener("abort", () => stop(tell("stopped")));
  const settle = (status, address, body) => {
    const page = new DOMParser().parseFromString(body, "text/html");
    // The page of a ticket that shows the form again tells why the file was refused.
    if (status < 400 && !address.includes("/arrivals/")) {
      // An address that differs in its fragment alone would only be scrolled to.
      history.replaceState(null, "", address + (form.dataset.upload || ""));
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
  };
  request.addEventListener("load", () => settle(request.status, request.responseURL, request.responseText));
  const go = (address, data) => {
    request.open("POST", address);
    request.send(data);
  };
  const chosen = form.querySelector("input[type=file]");
  if (!("tickets" in form.dataset) || chosen.files.length !== 1) {
    go(form.action, new FormData(form));
    return;
  }
  // In two steps: what was typed for a ticket, and then the file by its form.
  const typed = new FormData(form);
  typed.delete(chosen.name);
  typed.set("step", "ticket");
  fetch(form.action, { method: "POST", body: typed }).then(async (answer) => {
    if (!(answer.headers.get("Content-Type") || "").startsWith("application/json")) {
      settle(answer.status, answer.url, await answer.text());
      return;
    }
    const ticket = await answer.json();
    const data = new FormData();
    for (const f of ticket.fields) data.append(f.name, f.value);
    data.append("file", chosen.files[0], "file");
    go(ticket.address, data);
  }).catch(() => stop(tell("broke")));
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
