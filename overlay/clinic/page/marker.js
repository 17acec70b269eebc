import { ask, Countdown, element, points, showReveal, watch } from "/reveal.js";

const find = (id) => document.getElementById(id);
const AWAY = "Not connected. Marks you gave are kept; trying again.";
const PHASES = {
  waiting: "The first clip comes soon.",
  viewing: "Watch the clip in front.",
  marking: "Choose your deduction.",
  locked: "Marks are locked.",
  ended: "The practice is over. Thank you.",
};
let shown = "";
let view = null;
let sending = false;
const countdown = new Countdown(find("left"));

/** Told once, so that a screen reader does not repeat it every second. */
function say(text) {
  if (find("said").textContent !== text) find("said").textContent = text;
}

function door(open) {
  find("door").hidden = !open;
  find("desk").hidden = open;
  if (open) { find("reveal").hidden = true; find("me").hidden = true; }
}

function showSteps() {
  const open = view.phase === "marking";
  const same = JSON.stringify([view.number, view.steps]);
  const group = find("steps");
  if (same !== shown) {
    shown = same;
    group.replaceChildren(...view.steps.map((step) => {
      const button = element("button", points(step));
      button.type = "button";
      button.dataset.mark = step;
      button.addEventListener("click", () => give(step));
      return button;
    }));
  }
  for (const button of group.children) {
    button.disabled = !open;
    button.setAttribute("aria-pressed", String(Number(button.dataset.mark) === view.own));
  }
  group.hidden = !view.number || view.phase === "viewing" || view.phase === "ended";
  find("hint").hidden = !open;
}

function show() {
  door(false);
  document.title = find("title").textContent = view.title;
  find("me").hidden = false;
  find("me").textContent = `You are marker ${view.marker.slice(1)}. You have marked ${view.marked}.`;
  find("clip").textContent = view.number ? `Clip ${view.number} of ${view.of}` : "Welcome";
  const times = view.views > 1 ? `, view ${view.view} of ${view.views}` : "";
  find("about").textContent = view.number ? `${view.family_words}, ${view.speed}${times}` : "";
  countdown.start(view.left_ns, view.phase === "marking");
  const own = view.own === null ? "" : ` Your mark: ${points(view.own)}.`;
  say(PHASES[view.phase] + own);
  showSteps();
  showReveal(find("reveal"), view.reveal, view.own_revealed);
  const lines = view.summary.map((line) => element("p", line));
  find("own-summary").hidden = !lines.length;
  if (lines.length) find("own-summary").replaceChildren(element("h2", "For you alone"), ...lines);
}

function heard(status, answer) {
  if (sending) return; // an answer from before the mark would undo it on the screen
  if (status === 200) { view = answer; show(); }
  else if (status === 401) { view = null; door(true); }
  else say(AWAY);
}

async function give(mark) {
  if (!view || view.phase !== "marking" || sending) return;
  sending = true;
  const [status, answer] = await ask("/api/mark", { number: view.number, mark });
  sending = false;
  if (status === 200) { view = answer; show(); }
  else say(status === 0 ? AWAY : answer.said);
}

async function enter(path, body) {
  const [status, answer] = await ask(path, body);
  if (status !== 200) { say(status === 0 ? AWAY : answer.said); return; }
  if (answer.code) {
    const note = element("p", "Your own code, to come back on any device: ");
    note.id = "code";
    note.append(element("span", answer.code, "code"));
    document.querySelector("header").append(note);
  }
  say("You are in.");
  heard(...await ask("/api/me"));
}

find("join").addEventListener("submit", (event) => {
  event.preventDefault();
  enter("/api/join", { room: find("room").value });
});
find("return").addEventListener("submit", (event) => {
  event.preventDefault();
  enter("/api/return", { code: find("own").value });
});
document.addEventListener("keydown", (event) => {
  if (event.target.tagName === "INPUT" || event.ctrlKey || event.altKey || event.metaKey || event.repeat) return;
  const step = view && /^[1-9]$/.test(event.key) ? view.steps[Number(event.key) - 1] : undefined;
  if (step !== undefined) give(step);
});
find("room").value = new URLSearchParams(location.search).get("room") ?? "";
await watch("/api/me", heard);
