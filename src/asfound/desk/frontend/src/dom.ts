// Small makers of elements: text is always text, never markup.

export type Child = Node | string | number | null | undefined | false | Child[];
type Value = string | number | boolean | null | undefined | ((event: never) => void);
export type Attributes = Record<string, Value>;

function put(parent: Element, child: Child): void {
  if (child === null || child === undefined || child === false) return;
  if (Array.isArray(child)) {
    for (const one of child) put(parent, one);
    return;
  }
  parent.append(child instanceof Node ? child : String(child));
}

function set(element: Element, attributes: Attributes): void {
  for (const [name, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (typeof value === "function") {
      element.addEventListener(name, value as (event: Event) => void);
    } else if (name === "style" && element instanceof HTMLElement) {
      element.style.cssText = String(value);
    } else {
      element.setAttribute(name, value === true ? "" : String(value));
    }
  }
}

export function h<K extends keyof HTMLElementTagNameMap>(
  tag: K,
  attributes: Attributes = {},
  ...children: Child[]
): HTMLElementTagNameMap[K] {
  const element = document.createElement(tag);
  set(element, attributes);
  put(element, children);
  return element;
}

export function s(tag: string, attributes: Attributes = {}, ...children: Child[]): SVGElement {
  const element = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (typeof value === "function") {
      element.addEventListener(name, value as (event: Event) => void);
    } else if (name === "style") {
      element.style.cssText = String(value);
    } else {
      element.setAttribute(name, String(value));
    }
  }
  put(element, children);
  return element;
}

export function fill(parent: Element, ...children: Child[]): void {
  parent.replaceChildren();
  put(parent, children);
}

/** An element that the page's template holds. */
export function part(id: string): HTMLElement {
  const element = document.getElementById(id);
  if (!element) throw new Error(`the page has no #${id}`);
  return element;
}

/** Say something to those who listen to the page. */
export function announce(words: string): void {
  const region = part("job-said");
  region.textContent = "";
  window.setTimeout(() => {
    region.textContent = words;
  }, 30);
}

/** A heading, and rows of term and value; rows without a value are left out. */
export function facts(rows: [string, Child][]): HTMLElement {
  return h(
    "dl",
    { class: "facts" },
    rows
      .filter(([, value]) => value !== "" && value !== null && value !== undefined)
      .map(([name, value]) => h("div", {}, h("dt", {}, name), h("dd", {}, value))),
  );
}
