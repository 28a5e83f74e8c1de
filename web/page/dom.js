// Making elements by script: the content security policy allows no markup in text.

/**
 * @typedef {Record<string, string|number|boolean|null|undefined|((event: any) => void)>} Attributes
 */

/**
 * Makes an element. Attributes that are false, null or undefined are left out,
 * functions become listeners; "text" is its text.
 * @template {keyof HTMLElementTagNameMap} T
 * @param {T} tag
 * @param {Attributes} [attributes]
 * @param {...(Node|string)} children
 * @returns {HTMLElementTagNameMap[T]}
 */
export function make(tag, attributes = {}, ...children) {
  const e = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (value === false || value === null || value === undefined) continue;
    if (typeof value === "function") e.addEventListener(name, value);
    else if (name === "text") e.textContent = String(value);
    else e.setAttribute(name, value === true ? "" : String(value));
  }
  e.append(...children);
  return e;
}

/**
 * The element with an id, which index.html must have.
 * @param {string} id
 * @returns {HTMLElement}
 */
export function byId(id) {
  const e = document.getElementById(id);
  if (!e) throw new Error(`the page has no element ${id}`);
  return e;
}

/**
 * Writes a text where it is another than the one that stands there.
 * @param {Element} e
 * @param {string} text
 */
export function write(e, text) {
  if (e.textContent !== text) e.textContent = text;
}

/**
 * Gives a canvas a size in CSS pixels. Setting it clears the canvas, so it is set only where it is another.
 * @param {HTMLCanvasElement} canvas
 * @param {number} width
 * @param {number} height
 * @param {number} ratio  pixels of the screen to one of CSS
 */
export function sizeCanvas(canvas, width, height, ratio) {
  const w = Math.max(1, Math.round(width * ratio));
  const h = Math.max(1, Math.round(height * ratio));
  if (canvas.width === w && canvas.height === h) return;
  canvas.width = w;
  canvas.height = h;
  canvas.style.width = `${width}px`;
  canvas.style.height = `${height}px`;
}
