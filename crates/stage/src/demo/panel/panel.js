// @ts-check
// The demo panel: asks for the state twice a second and sends orders. All text is set as text, never as markup.

/** @typedef {{words: string, fault: unknown, machine: boolean, all: boolean, lasts: boolean}} Offer */
/** @typedef {{fault: unknown, machine: string | null}} Broken */
/** @typedef {{page: string, headline: string, offers: Offer[], broken: Broken[], lines: string[]}} Board */
/** @typedef {{fault: unknown, machine: string | null, lasts: boolean, button: HTMLButtonElement}} Knob */

/** @param {string} id @returns {HTMLElement} */
const part = (id) => {
  const e = document.getElementById(id);
  if (!e) throw new Error(`no ${id}`);
  return e;
};

/** @param {object} body */
const order = async (body) => {
  try {
    const answer = await fetch("order", { method: "POST", body: JSON.stringify(body) });
    if (!answer.ok) part("headline").textContent = await answer.text();
  } catch {
    part("headline").textContent = "The demo does not answer.";
  }
  await look();
};

/** @type {Knob[]} */
const knobs = [];

/** @param {Offer} offer @param {string | null} machine @param {string} list */
const knob = (offer, machine, list) => {
  const button = document.createElement("button");
  button.type = "button";
  button.textContent = offer.words;
  if (offer.lasts) button.setAttribute("aria-pressed", "false");
  button.addEventListener("click", () => {
    const broken = button.getAttribute("aria-pressed") === "true";
    void order({ do: broken ? "mend" : "break", fault: offer.fault, machine });
  });
  const item = document.createElement("li");
  item.append(button);
  part(list).append(item);
  knobs.push({ fault: offer.fault, machine, lasts: offer.lasts, button });
};

/** @param {Offer[]} offers */
const build = (offers) => {
  for (const offer of offers) {
    if (offer.machine) {
      knob(offer, "a", "a");
      knob(offer, "b", "b");
    } else {
      knob(offer, offer.all ? "all" : null, "rig");
    }
  }
};

/** @param {Board} board */
const show = (board) => {
  if (knobs.length === 0) build(board.offers);
  if (part("headline").textContent !== board.headline) part("headline").textContent = board.headline;
  part("page").setAttribute("href", board.page);
  const broken = new Set(board.broken.map((b) => JSON.stringify([b.fault, b.machine])));
  for (const k of knobs) {
    if (k.lasts) k.button.setAttribute("aria-pressed", String(broken.has(JSON.stringify([k.fault, k.machine]))));
  }
  const lines = part("lines");
  const newest = board.lines.join("\n");
  if (lines.dataset.newest !== newest) {
    lines.dataset.newest = newest;
    lines.replaceChildren(...board.lines.map((text) => {
      const item = document.createElement("li");
      item.textContent = text;
      return item;
    }));
    lines.scrollTop = lines.scrollHeight;
  }
};

const look = async () => {
  try {
    const answer = await fetch("state");
    show(await answer.json());
  } catch {
    part("headline").textContent = "The demo does not answer. It may have been ended.";
  }
};

part("next-song").addEventListener("click", () => void order({ do: "next-song" }));
part("mend-all").addEventListener("click", () => void order({ do: "mend-all" }));
await look();
setInterval(() => void look(), 500);
