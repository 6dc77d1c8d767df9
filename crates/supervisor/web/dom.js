// Small helpers over the document. Nodes are made once and then only changed where they differ, so that a press-and-hold, a
// focus or a screen reader's place is never pulled away by the next snapshot.

/**
 * @param {string} tag
 * @param {Record<string, string | boolean | undefined>} [attributes]
 * @param {...(Node | string)} children
 * @returns {HTMLElement}
 */
export function el(tag, attributes = {}, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (value === true) node.setAttribute(name, "");
    else if (value !== false && value !== undefined) node.setAttribute(name, value);
  }
  node.append(...children);
  return node;
}

/** @param {string} id @returns {HTMLElement} */
export function byId(id) {
  const node = document.getElementById(id);
  if (!node) throw new Error(`no #${id} on this page`);
  return node;
}

/** @param {string} name @param {Record<string, string>} attributes */
export function svg(name, attributes) {
  const node = document.createElementNS("http://www.w3.org/2000/svg", name);
  for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
  return node;
}

/** @param {Node} node @param {string} text */
export function say(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

/** @param {Element} node @param {boolean} visible */
export function show(node, visible) {
  if (node.hasAttribute("hidden") === visible) node.toggleAttribute("hidden", !visible);
}

/** @param {Element} node @param {string} name @param {string} value */
export function mark(node, name, value) {
  if (node.getAttribute(name) !== value) node.setAttribute(name, value);
}

/**
 * Makes the children of `parent` match `items`: a node for each key, kept as long as its key is there.
 * @template T
 * @param {Element} parent
 * @param {T[]} items
 * @param {(item: T) => string} key
 * @param {(item: T) => HTMLElement} make
 * @param {(node: HTMLElement, item: T) => void} update
 */
export function keyed(parent, items, key, make, update) {
  /** @type {Map<string, HTMLElement>} */
  const old = new Map();
  for (const child of parent.children) old.set(/** @type {HTMLElement} */ (child).dataset.key ?? "", /** @type {HTMLElement} */ (child));
  let place = /** @type {Element | null} */ (parent.firstElementChild);
  for (const item of items) {
    const k = key(item);
    let node = old.get(k);
    old.delete(k);
    if (!node) {
      node = make(item);
      node.dataset.key = k;
    }
    if (node === place) place = place.nextElementSibling;
    else parent.insertBefore(node, place);
    update(node, item);
  }
  for (const gone of old.values()) gone.remove();
}

/** @type {Record<string, string>} */
const SHAPES = {
  good: "M16 3a13 13 0 1 0 .01 0z",
  abnormal: "M16 2 31 29H1z",
  danger: "M10 2h12l8 8v12l-8 8H10l-8-8V10z",
  action: "M16 1 31 16 16 31 1 16z",
  neutral: "M16 3a13 13 0 1 0 .01 0zM16 8a8 8 0 1 1-.01 0z",
};

/**
 * The shape of a tone: a disc, a triangle, an octagon, a diamond, a ring. Never the only bearer of its meaning.
 * @param {Element} holder @param {string} tone
 */
export function shape(holder, tone) {
  if (holder.getAttribute("data-tone") === tone && holder.firstChild) return;
  holder.setAttribute("data-tone", tone);
  const picture = svg("svg", { viewBox: "0 0 32 32", "aria-hidden": "true", focusable: "false" });
  picture.append(svg("path", { d: SHAPES[tone] ?? SHAPES.neutral, "fill-rule": "evenodd" }));
  holder.replaceChildren(picture);
}
