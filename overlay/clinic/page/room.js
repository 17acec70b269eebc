import { ask, element, showReveal } from "/reveal.js";

const find = (id) => document.getElementById(id);
const teaching = document.body.dataset.role === "teacher";
let step = null;

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
  find("left").textContent = v.phase === "marking" ? `${Math.ceil(v.left_ns / 1e9)} s left` : "";
  showReveal(find("reveal"), v.reveal, null);
  if (!teaching) return;
  find("controls").hidden = false;
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

async function look() {
  const [status, answer] = await ask("/api/room");
  if (status === 200) show(answer);
  else find("said").textContent = status === 0 ? "Not connected; trying again." : answer.said;
}

async function act(body) {
  const [status, answer] = await ask("/api/room", body);
  find("said").textContent = status === 200 ? "" : (answer?.said ?? "Not connected; trying again.");
  if (status === 200) show(answer);
}

find("next").addEventListener("click", () => { if (step) act(step); });
await look();
setInterval(look, 1000);
