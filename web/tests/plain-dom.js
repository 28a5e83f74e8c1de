// As much of a document as parts of the page need that make elements, and no more: a
// test can press their buttons and read their words without a browser.

export class Plain {
  /** @param {string} tag */
  constructor(tag) {
    this.tag = tag;
    /** @type {Plain[]} */
    this.children = [];
    /** @type {Plain|null} */
    this.parent = null;
    /** @type {Map<string, string>} */
    this.attributes = new Map();
    /** @type {Map<string, ((event: any) => void)[]>} */
    this.heard = new Map();
    this.own = "";
    this.value = "";
    this.disabled = false;
    this.classList = { toggle() {} };
    /** @type {Record<string, string>} */
    this.dataset = {};
  }
  get hidden() {
    return this.attributes.has("hidden");
  }
  set hidden(is) {
    this.toggleAttribute("hidden", is);
  }
  /** @returns {string} */
  get textContent() {
    return this.own + this.children.map((c) => c.textContent).join("");
  }
  set textContent(text) {
    this.replaceChildren();
    this.own = text;
  }
  get rows() {
    return this.children;
  }
  /** @returns {Plain|null} */
  get lastElementChild() {
    return this.children.at(-1) ?? null;
  }
  /** @param {string} name @param {string} value */
  setAttribute(name, value) {
    this.attributes.set(name, value);
    if (name === "value") this.value = value;
  }
  /** @param {string} name */
  removeAttribute(name) {
    this.attributes.delete(name);
  }
  /** @param {string} name @param {boolean} on */
  toggleAttribute(name, on) {
    if (on) this.attributes.set(name, "");
    else this.attributes.delete(name);
  }
  /** @param {...(Plain|string)} added */
  append(...added) {
    for (const a of added) {
      const c = typeof a === "string" ? Object.assign(new Plain("#text"), { own: a }) : a;
      c.remove();
      c.parent = this;
      this.children.push(c);
    }
  }
  /** @param {...(Plain|string)} added */
  replaceChildren(...added) {
    this.own = "";
    for (const c of [...this.children]) c.remove();
    this.append(...added);
  }
  /** @param {Plain} e */
  after(e) {
    this.parent?.append(e);
  }
  remove() {
    if (this.parent) this.parent.children = this.parent.children.filter((c) => c !== this);
    this.parent = null;
  }
  /** @param {string} kind @param {(event: any) => void} heard */
  addEventListener(kind, heard) {
    this.heard.set(kind, [...(this.heard.get(kind) ?? []), heard]);
  }
  /** @param {string} kind */
  fire(kind) {
    for (const heard of this.heard.get(kind) ?? []) heard({ type: kind });
  }
  focus() {}
  scrollIntoView() {}
  /** @param {Plain|null} e @returns {boolean} */
  contains(e) {
    return e === this || this.children.some((c) => c.contains(e));
  }
  /** @param {string} tag @returns {Plain[]} */
  querySelectorAll(tag) {
    return this.children.flatMap((c) => [...(c.tag === tag ? [c] : []), ...c.querySelectorAll(tag)]);
  }
  /** @param {string} tag */
  querySelector(tag) {
    return this.querySelectorAll(tag)[0] ?? null;
  }
  /** A button by its words. @param {string} words @returns {Plain} */
  button(words) {
    const found = this.querySelectorAll("button").find((b) => b.textContent === words);
    if (!found) throw new Error(`there is no button ${words}`);
    return found;
  }
  /** Whether it and all that it is in are shown. @returns {boolean} */
  get seen() {
    return !this.hidden && (this.parent === null || this.parent.seen);
  }
}

/** Puts a document in place. @returns {{head: Plain, body: Plain}} */
export function plainDocument() {
  const head = new Plain("head"), body = new Plain("body");
  Object.defineProperty(globalThis, "document", { value: { createElement: (/** @type {string} */ tag) => new Plain(tag), head, body, activeElement: null }, configurable: true });
  return { head, body };
}
