import { ask, Countdown, element, points, showReveal, watch } from "/reveal.js";

const find = (id) => document.getElementById(id);
const teaching = document.body.dataset.role === "teacher";
let step = null;
const countdown = new Countdown(find("left"));

/** What the main button does now: its words and what it asks for. */
function following(v) {
  if (v.phase === "viewing" && v.view < v.views) return [`Show it again (${v.view + 1} of ${v.views})`, { do: "view", number: v.number, view: v.view + 1 }];
  if (v.phase === "viewing") return ["Ask for marks", { do: "ask", number: v.number }];
  if (v.phase === "marking") return ["Lock now", { do: "lock", number: v.number }];
  if (v.phase === "ended") return [null, null];
  if (v.number < v.of) return [`Show clip ${v.number + 1}`, { do: "view", number: v.number + 1, view: 1 }];
  return ["End the practice", { do: "end" }];
}

function show(v) {
  document.title = find("title").textContent = v.title;
  find("address").textContent = v.address;
  find("room").textContent = v.room_code;
  find("entry").hidden = v.phase !== "waiting";
  find("clip").textContent = v.number ? `Clip ${v.number} of ${v.of}` : `${v.markers} in the room`;
  find("count").textContent = v.number ? `${v.marked} of ${v.markers} have marked` : "";
  countdown.start(v.left_ns, v.phase === "marking");
  showReveal(find("reveal"), v.reveal, null);
  if (!teaching) return;
  find("controls").hidden = false;
  paper = v.paper;
  showPaper();
  find("play").textContent = v.play ? `Play ${v.play}` : "";
  const [words, body] = following(v);
  step = body;
  find("next").hidden = !words;
  find("next").textContent = words ?? "";
  const wanted = v.phase === "locked" || v.phase === "ended" ? v.revealable : [];
  if (find("reveals").dataset.for !== String(wanted)) {
    find("reveals").dataset.for = String(wanted);
    find("reveals").replaceChildren(...wanted.map((number) => {
      const button = element("button", `Reveal ${number}`);
      button.type = "button";
      button.addEventListener("click", () => act({ do: "reveal", number }));
      return button;
    }));
  }
}

/** Put choices into a select, and keep the chosen one where it is still there. */
function choices(select, pairs) {
  const wanted = JSON.stringify(pairs);
  if (select.dataset.for === wanted) return;
  const chosen = select.value;
  select.dataset.for = wanted;
  select.replaceChildren(...pairs.map(([value, words]) => {
    const option = element("option", words);
    option.value = value;
    return option;
  }));
  if (pairs.some(([value]) => String(value) === chosen)) select.value = chosen;
}

let paper = [];

function showPaper() {
  const waiting = paper.filter((p) => p.missing.length);
  find("paper-form").hidden = !waiting.length;
  choices(find("paper-marker"), waiting.map((p) => [p.marker, `marker ${p.marker.slice(1)}`]));
  const missing = waiting.find((p) => p.marker === find("paper-marker").value)?.missing ?? [];
  choices(find("paper-showing"), missing.map((m) => [m.number, `clip ${m.number}`]));
  const steps = missing.find((m) => String(m.number) === find("paper-showing").value)?.steps ?? [];
  choices(find("paper-mark"), steps.map((s) => [s, points(s)]));
}

find("add-paper").addEventListener("click", () => act({ do: "paper marker" }));
for (const id of ["paper-marker", "paper-showing"]) find(id).addEventListener("change", showPaper);
find("paper-form").addEventListener("submit", (event) => {
  event.preventDefault();
  act({
    do: "paper mark",
    marker: find("paper-marker").value,
    number: Number(find("paper-showing").value),
    mark: Number(find("paper-mark").value),
  });
});

function heard(status, answer) {
  if (status === 200) show(answer);
  else find("said").textContent = status === 0 ? "Not connected; trying again." : answer.said;
}

async function act(body) {
  const [status, answer] = await ask("/api/room", body);
  const added = status === 200 && answer.marker ? `Marker ${answer.marker.slice(1)} marks on paper.` : "";
  find("said").textContent = status === 200 ? added : (answer?.said ?? "Not connected; trying again.");
  if (status === 200) show(answer);
}

find("next").addEventListener("click", () => { if (step) act(step); });
await watch("/api/room", heard);
