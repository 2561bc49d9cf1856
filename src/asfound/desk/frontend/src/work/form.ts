// Forms with their troubles beside the field: label, hint, and what is wrong with its remedy.

import { Trouble } from "../api";
import { announce, type Child, h } from "../dom";
import type { State } from "../state";

export interface Field {
  name: string;
  label: string;
  hint?: string;
  kind?: "text" | "number" | "date" | "select" | "area";
  options?: [string, string][];
  value?: string;
  optional?: boolean;
  unit?: "length" | "grid";
}

export interface Form {
  element: HTMLFormElement;
  value(name: string): string;
  put(name: string, value: string): void;
  wrong(field: string, words: string): void;
}

let made = 0;

/** A form; `send` does the deed and answers with what to say, or throws a `Trouble`. */
export function formOf(
  fields: Field[],
  deed: string,
  send: (form: Form) => Promise<string>,
  before: Child = null,
): Form {
  const inputs = new Map<string, HTMLInputElement | HTMLSelectElement | HTMLTextAreaElement>();
  const slots = new Map<string, HTMLElement>();
  const rows = fields.map((field) => {
    const id = `field-${++made}-${field.name}`;
    const common = { id, name: field.name, "aria-describedby": `${id}-wrong${field.hint ? ` ${id}-hint` : ""}` };
    const input =
      field.kind === "select"
        ? h("select", common, (field.options ?? []).map(([value, words]) => h("option", { value }, words)))
        : field.kind === "area"
          ? h("textarea", { ...common, rows: 5, spellcheck: "false" })
          : h("input", { ...common, type: field.kind === "date" ? "date" : "text", inputmode: field.kind === "number" ? "decimal" : null, autocomplete: "off" });
    if (field.value !== undefined) input.value = field.value;
    if (!field.optional) input.setAttribute("aria-required", "true");
    inputs.set(field.name, input);
    const slot = h("span", { class: "wrong", id: `${id}-wrong` });
    slots.set(field.name, slot);
    return h("div", { class: "field" }, h("label", { for: id }, field.label, field.unit ? [", ", h("span", { "data-unit": field.unit })] : null, field.optional ? h("small", {}, " (if known)") : null), input,
      field.hint ? h("span", { class: "hint", id: `${id}-hint` }, field.hint) : null, slot);
  });
  const said = h("p", { class: "form-said", role: "status" });
  const button = h("button", { type: "submit" }, deed);
  const element = h("form", { class: "work-form", novalidate: true }, before, rows, button, said);
  const form: Form = {
    element,
    value: (name) => inputs.get(name)?.value.trim() ?? "",
    put(name, value) {
      const input = inputs.get(name);
      if (input) input.value = value;
    },
    wrong(field, words) {
      const slot = slots.get(field);
      const input = inputs.get(field);
      if (!slot || !input) {
        said.textContent = words;
        said.classList.add("trouble");
        return;
      }
      slot.textContent = words;
      input.setAttribute("aria-invalid", "true");
    },
  };
  const clean = (): void => {
    said.textContent = "";
    said.classList.remove("trouble");
    for (const slot of slots.values()) slot.textContent = "";
    for (const input of inputs.values()) input.removeAttribute("aria-invalid");
  };
  element.addEventListener("submit", (event) => {
    event.preventDefault();
    clean();
    for (const field of fields) {
      if (!field.optional && !form.value(field.name)) form.wrong(field.name, `Fill in: ${field.label.toLowerCase()}.`);
    }
    const first = element.querySelector<HTMLElement>("[aria-invalid]");
    if (first) {
      first.focus();
      return;
    }
    button.disabled = true;
    send(form)
      .then((words) => {
        said.textContent = words;
        announce(words);
      })
      .catch((error: unknown) => {
        const trouble = error instanceof Trouble ? error : new Trouble("This page made a mistake.", String(error), "", 0);
        const field = trouble.field.split(/[.[\]]/).filter(Boolean).at(-1) ?? "";
        form.wrong(inputs.has(field) ? field : "", `${trouble.title} ${trouble.remedy}`);
        element.querySelector<HTMLElement>("[aria-invalid]")?.focus();
        announce(trouble.title);
      })
      .finally(() => {
        button.disabled = false;
      });
  });
  return form;
}

/** Says the reader's units wherever a label leaves room for one. */
export function nameUnits(state: State, root: ParentNode): void {
  for (const slot of root.querySelectorAll<HTMLElement>("[data-unit]")) {
    slot.textContent = (slot.dataset["unit"] === "grid" ? state.units.grid : state.units.length).symbol;
  }
}

/** A number typed in the reader's unit, in metres; throws with the field's name if it is none. */
export function metresOf(form: Form, name: string, parse: (text: string) => number, optional = false): number {
  const text = form.value(name);
  if (optional && !text) return NaN;
  const metres = parse(text);
  if (!Number.isFinite(metres)) throw new Trouble(`'${text}' is not a number.`, "Use digits and one decimal point.", name, 0);
  return metres;
}
