// Files from receivers: dropped on the page, guessed, confirmed, and kept as they are.

import { Trouble } from "../api";
import { fill, h } from "../dom";
import type { State } from "../state";

interface Guess {
  mapping: string;
  doubts?: (string | { what?: string; question?: string; remedy?: string; field?: string })[];
  sha256?: string;
  rows?: number;
  columns?: { quantity: string; column: string; unit?: string; sample?: string }[];
}

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
    try {
      const body = new FormData();
      body.append("file", file);
      const guess = await state.api.post<Guess>("uploads/guess", body);
      confirm(file, guess, said);
    } catch (error) {
      fill(said, h("p", { class: "trouble", role: "alert" }, trouble(error)));
    }
  };
  const confirm = (file: File, guess: Guess, said: HTMLElement): void => {
    const text = h("textarea", { class: "mono", spellcheck: "false", rows: 14, "aria-label": `Mapping of ${file.name}` });
    text.value = guess.mapping;
    const wrong = h("p", { class: "wrong", role: "alert" });
    const doubts = (guess.doubts ?? []).map((one) => (typeof one === "string" ? one : [one.what ?? one.question, one.remedy].filter(Boolean).join(" ")));
    const add = h("button", {
      type: "button",
      click: async () => {
        add.disabled = true;
        wrong.textContent = "";
        try {
          const body = new FormData();
          body.append("file", file);
          body.append("mapping", text.value);
          await state.api.post("uploads", body);
          fill(said, h("p", { class: "done" }, `${file.name} was added. Process the job to see its shots.`));
          added();
        } catch (error) {
          wrong.textContent = trouble(error);
        } finally {
          add.disabled = false;
        }
      },
    }, "Add it so");
    fill(said, h("h4", {}, file.name),
      doubts.length ? h("div", { class: "note caution" }, h("p", {}, "Look at these before you add it:"), h("ul", {}, doubts.map((words) => h("li", {}, words)))) : h("p", {}, "Every column was recognised."),
      guess.columns?.length ? h("table", {}, h("caption", {}, "What each column was taken for"),
        h("thead", {}, h("tr", {}, ["Column", "Taken as", "Unit"].map((t) => h("th", { scope: "col" }, t)))),
        h("tbody", {}, guess.columns.map((column) => h("tr", {}, h("td", {}, column.column), h("td", {}, column.quantity), h("td", {}, column.unit ?? ""))))) : null,
      h("details", { open: doubts.length > 0 }, h("summary", {}, "The mapping: units, signs and frame, as text"), text),
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
