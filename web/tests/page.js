// As much of a document as parts of the page need that are tried without a browser:
// elements in a tree, their attributes and listeners. Nothing is laid out or drawn.

/** @typedef {ReturnType<typeof openPage>} Page */

const reflected = ["type", "name", "value", "id", "placeholder"];

export class PageElement extends EventTarget {
  /** @param {string} tag */
  constructor(tag) {
    super();
    this.tagName = tag.toUpperCase();
    /** @type {(PageElement|string)[]} */
    this.nodes = [];
    /** @type {PageElement|null} */
    this.parent = null;
    /** @type {Map<string, string>} */
    this.attributes = new Map();
    /** @type {Record<string, string>} */
    this.dataset = {};
    this.classes = new Set();
    this.style = { setProperty() {} };
    this.hidden = this.disabled = this.checked = this.open = false;
    this.type = this.name = this.value = this.id = this.placeholder = "";
    this.offsetHeight = this.scrollTop = 0;
    this.classList = {
      /** @param {string} name @param {boolean} [on] */
      toggle: (name, on = !this.classes.has(name)) => void (on ? this.classes.add(name) : this.classes.delete(name)),
    };
  }
  get children() { return this.nodes.filter((n) => n instanceof PageElement); }
  /** @returns {string} */
  get textContent() { return (this.nodes.map((n) => (typeof n === "string" ? n : n.textContent)).join("")); }
  set textContent(text) { this.replaceChildren(text); }
  /** @param {(PageElement|string)[]} list @param {number} at */
  put(list, at) {
    for (const n of list) if (n instanceof PageElement) { n.remove(); n.parent = this; }
    this.nodes.splice(at, 0, ...list);
  }
  /** @param {...(PageElement|string)} list */
  append(...list) { this.put(list, this.nodes.length); }
  /** @param {...(PageElement|string)} list */
  prepend(...list) { this.put(list, 0); }
  /** @param {...(PageElement|string)} list */
  after(...list) { this.parent?.put(list, this.parent.nodes.indexOf(this) + 1); }
  /** @param {...(PageElement|string)} list */
  replaceChildren(...list) {
    this.nodes = [];
    this.append(...list);
  }
  remove() {
    if (this.parent) this.parent.nodes = this.parent.nodes.filter((n) => n !== this);
    this.parent = null;
  }
  /** @param {string} name @param {string} value */
  setAttribute(name, value) {
    this.attributes.set(name, value);
    if (reflected.includes(name)) Object.assign(this, { [name]: value });
    if (name === "class") this.classes = new Set(value.split(" "));
    if (name === "hidden" || name === "disabled") this[name] = true;
    if (name.startsWith("data-")) this.dataset[name.slice(5)] = value;
  }
  /** @param {string} name */
  getAttribute(name) { return this.attributes.get(name) ?? null; }
  /** @param {string} name */
  removeAttribute(name) { this.attributes.delete(name); }
  /** @returns {PageElement[]} */
  all() { return this.children.flatMap((e) => [e, ...e.all()]); }
  /** A tag, a class, or one after the other. @param {string} selector */
  querySelectorAll(selector) {
    const [tag, ...classes] = selector.replace(/:.*$/, "").split(".");
    return this.all().filter((e) => (tag === "" || e.tagName === tag.toUpperCase()) && classes.every((c) => e.classes.has(c)));
  }
  /** @param {string} selector */
  querySelector(selector) { return this.querySelectorAll(selector)[0] ?? null; }
  /** @param {unknown} other */
  contains(other) { return other === this || this.all().includes(/** @type {PageElement} */ (other)); }
  focus() { Object.assign(document, { activeElement: this }); }
  getContext() { return {}; }
  requestSubmit() { this.dispatchEvent(new Event("submit", { cancelable: true })); }
  click() { if (!this.disabled) this.dispatchEvent(Object.assign(new Event("click"), { detail: 0 })); }
}

/** Makes the document, until it is closed. */
export function openPage() {
  const windowOf = new EventTarget();
  const doc = Object.assign(new EventTarget(), { hidden: false, activeElement: null, createElement: (/** @type {string} */ tag) => new PageElement(tag), head: new PageElement("head"), body: new PageElement("body") });
  const stands = {
    document: doc, HTMLElement: PageElement, Node: PageElement, ResizeObserver: class { observe() {} },
    addEventListener: windowOf.addEventListener.bind(windowOf), ...("navigator" in globalThis ? {} : { navigator: {} }),
  };
  const before = Object.keys(stands).map((name) => /** @type {const} */ ([name, Reflect.get(globalThis, name)]));
  Object.assign(globalThis, stands);
  return {
    /** @param {string} tag @param {string} [name] */
    element(tag, name) {
      const e = new PageElement(tag);
      if (name) e.setAttribute("class", name);
      return e;
    },
    /** A press of a key, wherever the focus is. @param {string} key @returns {boolean} whether the page took it */
    key(key) {
      const event = Object.assign(new Event("keydown", { cancelable: true }), { key, repeat: false });
      windowOf.dispatchEvent(event);
      return event.defaultPrevented;
    },
    close() {
      for (const [name, was] of before) was === undefined ? Reflect.deleteProperty(globalThis, name) : Object.assign(globalThis, { [name]: was });
    },
  };
}

/** The button of some words that can be pressed. @param {PageElement} e @param {string} words @returns {PageElement|null} */
export function buttonOf(e, words) {
  return e.querySelectorAll("button").find((b) => b.textContent === words && !b.hidden) ?? null;
}
