// Files from receivers: dropped on the page, guessed, confirmed, and kept as they are.

import { Trouble } from "../api";
import { fill, h } from "../dom";
import type { State } from "../state";

interface Asked {
  field: string;
  what: string;
  why?: string;
  remedy?: string;
}
interface Guess {
  sha256: string;
  mapping: string;
  questions?: Asked[];
  doubts?: Asked[];
  columns?: { column: string | number; quantity: string; title?: string; unit?: string; samples?: string[] }[];
}

/** What can be declared beside a file; other questions are answered in the mapping itself. */
const DECLARATIONS: Record<string, string> = {
  frame: "Frame of the positions, such as ITRF2020 or EPSG:6318",
  epoch: "Epoch, decimal year",
  heights: "Heights: ellipsoidal, orthometric or none",
  geoid: "Geoid grid",
  zone: "Time zone, such as UTC or America/Chicago",
  receiver: "Receiver's serial",
  antenna_height: "Antenna height with its unit, such as 1.90 m",
  position_of: "Positions of: antenna or ground",
  depth_to: "Depths to: centre or top",
  utility: "Utility of all rows",
  hookup: "Hook-up of all rows",
  position_accuracy: "Accuracy to carry for a loose frame name, metres",
};

export function uploadArea(state: State, open: () => void, added: () => void): HTMLElement {
  const list = h("div", { class: "dropped" });
  const input = h("input", {
    type: "file", multiple: true, id: "upload-files", class: "said",
    change: () => {
      void take([...(input.files ?? [])]);
      input.value = "";
    },
  });
  const zone = h("div", { class: "drop" },
    h("p", {}, "Drop the receivers' files anywhere on this page, or"),
    h("label", { for: "upload-files", class: "button" }, "choose files"), input);
  const take = async (files: File[]): Promise<void> => {
    open();
    for (const file of files) await one(file);
  };
  const one = async (file: File): Promise<void> => {
    const said = h("div", { class: "upload", role: "group", "aria-label": `Upload ${file.name}` }, h("p", {}, `Reading ${file.name} …`));
    list.prepend(said);
    await guess(file, {}, said);
  };
  const guess = async (file: File, declared: Record<string, string>, box: HTMLElement): Promise<void> => {
    try {
      const body = new FormData();
      body.append("file", file);
      const said = Object.entries(declared).filter(([, value]) => value.trim());
      if (said.length) body.append("hints", JSON.stringify(Object.fromEntries(said)));
      confirm(file, await state.api.post<Guess>("uploads/guess", body), declared, box);
    } catch (error) {
      fill(box, h("h4", {}, file.name), h("p", { class: "trouble", role: "alert" }, trouble(error)),
        h("p", {}, h("button", { type: "button", class: "quiet", click: () => box.remove() }, "Leave it")));
    }
  };
  const confirm = (file: File, found: Guess, declared: Record<string, string>, said: HTMLElement): void => {
    const text = h("textarea", { class: "mono", spellcheck: "false", rows: 14, "aria-label": `Mapping of ${file.name}` });
    text.value = found.mapping;
    const wrong = h("p", { class: "wrong", role: "alert" });
    const questions = found.questions ?? [];
    const answers: Record<string, string> = { ...declared };
    const ask = (one: Asked, k: number): HTMLElement => {
      const id = `ask-${k}-${one.field}-${file.name.replace(/\W+/g, "-")}`;
      const label = DECLARATIONS[one.field];
      return h("li", {}, h("b", {}, one.what), " ", one.why ?? "", " ", h("span", { class: "remedy" }, one.remedy ?? ""),
        label ? h("div", { class: "field" }, h("label", { for: id }, label), h("input", {
          id, type: "text", autocomplete: "off", value: answers[one.field] ?? "",
          input: (event: Event) => {
            answers[one.field] = (event.target as HTMLInputElement).value;
          },
        })) : null);
    };
    const add = h("button", {
      type: "button",
      click: async () => {
        add.disabled = true;
        wrong.textContent = "";
        try {
          const body = new FormData();
          body.append("sha256", found.sha256);
          body.append("name", file.name);
          body.append("mapping", text.value);
          await state.api.post("uploads", body);
          fill(said, h("p", { class: "done" }, `${file.name} was added.`));
          added();
        } catch (error) {
          wrong.textContent = trouble(error);
        } finally {
          add.disabled = false;
        }
      },
    }, "Add it so");
    const used = (found.columns ?? []).filter((column) => column.quantity);
    const unused = (found.columns ?? []).filter((column) => !column.quantity).map((column) => column.column);
    fill(said, h("h4", {}, file.name),
      questions.length ? h("div", { class: "note caution" }, h("p", {}, "Answer these first; nothing is guessed where it matters:"),
        h("ul", {}, questions.map(ask)),
        h("button", { type: "button", class: "quiet", click: () => void guess(file, answers, said) }, "Read it again with these answers")) : null,
      found.doubts?.length ? h("div", { class: "note" }, h("p", {}, "Look at these:"),
        h("ul", {}, found.doubts.map((one, k) => ask(one, questions.length + k))),
        questions.length || !found.doubts.some((one) => one.field in DECLARATIONS) ? null
          : h("button", { type: "button", class: "quiet", click: () => void guess(file, answers, said) }, "Read it again with these answers")) : null,
      h("details", {}, h("summary", {}, "Say more about this file"),
        Object.entries(DECLARATIONS).filter(([name]) => ![...questions, ...(found.doubts ?? [])].some((one) => one.field === name)).map(([name, label]) => {
          const id = `say-${name}-${file.name.replace(/\W+/g, "-")}`;
          return h("div", { class: "field" }, h("label", { for: id }, label), h("input", {
            id, type: "text", autocomplete: "off", value: answers[name] ?? "",
            input: (event: Event) => {
              answers[name] = (event.target as HTMLInputElement).value;
            },
          }));
        }),
        h("p", {}, h("button", { type: "button", class: "quiet", click: () => void guess(file, answers, said) }, "Read it again with this"))),
      used.length ? h("table", {}, h("caption", {}, "What each column was taken for"),
        h("thead", {}, h("tr", {}, ["Column", "Taken as", "Unit", "First"].map((t) => h("th", { scope: "col" }, t)))),
        h("tbody", {}, used.map((column) => h("tr", {}, h("td", {}, column.column), h("td", {}, column.title || column.quantity),
          h("td", {}, column.unit ?? ""), h("td", {}, column.samples?.find((cell) => cell) ?? ""))))) : null,
      unused.length ? h("p", {}, `Not used: ${unused.join(", ")}.`) : null,
      h("details", {}, h("summary", {}, "The mapping as text: units, signs, frame"), text),
      wrong,
      h("p", {}, add, " ", h("button", { type: "button", class: "quiet", click: () => said.remove() }, "Leave it")));
  };
  if (state.may.work) {
    let depth = 0;
    const over = (on: boolean): void => void document.body.classList.toggle("dropping", on);
    window.addEventListener("dragenter", (event) => {
      if (event.dataTransfer?.types.includes("Files")) {
        depth++;
        over(true);
      }
    });
    window.addEventListener("dragleave", () => {
      depth = Math.max(0, depth - 1);
      if (!depth) over(false);
    });
    window.addEventListener("dragover", (event) => {
      if (event.dataTransfer?.types.includes("Files")) event.preventDefault();
    });
    window.addEventListener("drop", (event) => {
      if (!event.dataTransfer?.files.length) return;
      event.preventDefault();
      depth = 0;
      over(false);
      void take([...event.dataTransfer.files]);
    });
  }
  return h("div", {}, zone, list);
}

function trouble(error: unknown): string {
  return error instanceof Trouble ? `${error.title} ${error.remedy}` : `The file can't be read here: ${String(error)}`;
}
