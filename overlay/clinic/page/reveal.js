"use strict";

/** A deduction as it is written: hundredths to points. */
const points = (mark) => (mark / 100).toFixed(2);

/** An element with text, so that nothing is ever read as markup. */
function element(name, text, className) {
  const made = document.createElement(name);
  if (text !== undefined) made.textContent = text;
  if (className) made.className = className;
  return made;
}

/** Fill a section with what a revealed showing tells; own is the marker's own mark or null. */
export function showReveal(section, told, own) {
  section.replaceChildren();
  section.hidden = !told;
  if (!told) return;
  section.append(element("h2", `Clip ${told.number}: what the room gave`));
  if (told.spread.length) {
    const table = element("table");
    const head = element("tr");
    for (const text of ["Deduction", "Marks", ""]) head.append(element("th", text));
    table.append(head);
    for (const [step, count] of told.spread) {
      const row = element("tr");
      row.append(element("td", points(step)), element("td", String(count)), element("td", "●".repeat(count), "dots"));
      table.append(row);
    }
    section.append(table);
  } else {
    section.append(element("p", "Too few marks to show without telling whose they are.", "quiet"));
  }
  if (own !== null && own !== undefined) section.append(element("p", `Your mark: ${points(own)}`));
  if (told.reference !== null) {
    const seen = told.slow_motion ? " Set with slow motion, which you did not see." : "";
    section.append(element("p", `Reference: ${points(told.reference)}, set by ${told.by}. ${told.reason}${seen}`));
  }
  if (told.height_words) section.append(element("p", `Measured: ${told.height_words}`));
  section.append(element("p", "Display aid only. The panel decides.", "quiet"));
}

/** Ask the room's computer; gives [status, answer], or [0, null] when it cannot be reached. */
export async function ask(path, body) {
  const how = body === undefined ? {} : {
    method: "POST",
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify(body),
  };
  try {
    const answer = await fetch(path, { ...how, signal: AbortSignal.timeout(15000) });
    return [answer.status, await answer.json()];
  } catch {
    return [0, null];
  }
}

/**
 * Keep a page of what is new: asks at once, then whenever the room's computer has news. Gives each
 * answer to show; when the computer cannot be reached it tries again every second.
 */
export async function watch(path, show) {
  let seen = null;
  for (;;) {
    const [status, answer] = await ask(seen === null ? path : `${path}?seen=${seen}`);
    const went = status === 200;
    seen = went ? answer.seen : null;
    show(status, answer);
    if (!went) await new Promise((done) => setTimeout(done, 1000));
  }
}

/** Seconds left, told once a second from when the answer came. */
export class Countdown {
  constructor(place) {
    this.place = place;
    this.until = null;
    setInterval(() => this.tell(), 250);
  }

  start(leftNs, open) {
    this.until = open ? performance.now() + leftNs / 1e6 : null;
    this.tell();
  }

  tell() {
    const left = this.until === null ? null : Math.max(0, Math.ceil((this.until - performance.now()) / 1000));
    const text = left === null ? "" : `${left} s left`;
    if (this.place.textContent !== text) this.place.textContent = text;
  }
}

export { element, points };
