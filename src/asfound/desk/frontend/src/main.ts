// The job page: loads what was processed, and ties sheet, tables, profile and work together.

import { Api, fetchJson, Trouble } from "./api";
import { fill, h, part } from "./dom";
import { Sheet } from "./map/sheet";
import { boxTool, drawTool, measureTool } from "./map/tools";
import { readShots, type Shots, type View } from "./model";
import { DetailPanel } from "./panels/detail";
import { digPanel, findingPanel, linePanel, sweepPanel } from "./panels/lists";
import { Profile } from "./panels/profile";
import { ShotTable } from "./panels/shots";
import { legend, titleBlock } from "./panels/title-block";
import { preparePrint } from "./print";
import { State } from "./state";
import { formOf, nameUnits } from "./work/form";
import { backgroundForm } from "./work/backgrounds";
import { compareForm, stakeoutForm } from "./work/compare";
import { decider } from "./work/decisions";
import { controlForm, digForms, exposureForm, sweepForm } from "./work/digs";
import { Processing } from "./work/processing";
import { uploadArea } from "./work/uploads";

const TABS = ["shots", "lines", "findings", "sweeps", "digs", "work"] as const;
type Tab = (typeof TABS)[number];

async function load(base: string): Promise<[View, Shots]> {
  const fresh = `?at=${Date.now()}`;
  const [view, answer] = await Promise.all([
    fetchJson<View>(`${base}view.json${fresh}`),
    fetch(`${base}shots.bin${fresh}`, { credentials: "same-origin" }),
  ]);
  if (!answer.ok) throw new Trouble("The shots can't be read.", "Load the page again.", "", answer.status);
  return [view, readShots(await answer.arrayBuffer())];
}

async function start(): Promise<void> {
  const root = part("job");
  const data = root.dataset;
  const role = data["role"] ?? "reader";
  // The desk refuses what a role may not do; the page only leaves it out.
  const may = { work: role !== "reader", judge: role === "reviewer" || role === "administrator" };
  const state = new State(
    new Api(data["api"] ?? "", data["csrf"] ?? ""), data["view"] ?? "", may, remembered(data["units"]),
  );
  const base = state.viewBase;
  let first: [View, Shots];
  try {
    first = await load(base);
  } catch (error) {
    const fresh = error instanceof Trouble && error.status === 404;
    nothingYet(state, data["news"] ?? "", fresh, error);
    return;
  }
  state.load(...first);
  const sheet = new Sheet(state, part("sheet"));
  const tabs = setTabs();
  const table = new ShotTable(state, sheet, part("panel-shots"));
  linePanel(state, sheet, part("panel-lines"));
  findingPanel(state, sheet, part("panel-findings"));
  sweepPanel(state, sheet, part("panel-sweeps"));
  const openWork = (id: string): void => {
    tabs.open("work");
    const box = document.getElementById(id) as HTMLDetailsElement | null;
    if (box) {
      box.open = true;
      box.scrollIntoView({ block: "start" });
    }
  };
  digPanel(state, sheet, part("panel-digs"), () => openWork("work-digs"));
  const processing = new Processing(state, part("processing"), data["news"] ?? "", async () => state.load(...(await load(base))));
  const changed = (): void => processing.changed();
  const decisions = decider(state, sheet, () => openWork("work-decide"), changed);
  const sections: [string, string, HTMLElement, boolean][] = [
    ["work-upload", "Add files", uploadArea(state, () => openWork("work-upload"), changed), may.work],
    ["work-decide", "Accept, reject, set; split and join", decisions.element, may.work],
    ["work-digs", "Planned digs", digForms(state, sheet, changed), may.work],
    ["work-exposure", "Enter an exposure", exposureForm(state, sheet, changed), may.work],
    ["work-control", "Enter a control check", controlForm(state, changed), may.work],
    ["work-sweep", "Enter a sweep from a tape", sweepForm(state, sheet, changed), may.work],
    ["work-stakeout", "Choose points for stakeout", stakeoutForm(state, changed), may.work],
    ["work-compare", "Compare two days", compareForm(state, sheet), true],
    ["work-background", "Background", backgroundForm(state, sheet), true],
  ];
  fill(part("panel-work"), h("div", { class: "scroller" },
    sections.filter((one) => one[3]).map(([id, title, body]) => h("details", { id, class: "work" }, h("summary", {}, title), body))));
  new DetailPanel(state, sheet, part("detail"), {
    decide: (shot, kind) => decisions.start(shot, kind),
    line: (kind, index) => decisions.line(kind, index),
    removeDig: (kind, name) => withReason(`Take out ${kind} ${name}`, "Take it out", changed, (why) =>
      state.api.remove(`digs/${encodeURIComponent(kind)}/${encodeURIComponent(name)}`, { why })),
    undo: (id) => withReason("Take this decision back", "Take it back", changed, (why) =>
      state.api.post(`decisions/${encodeURIComponent(id)}/undo`, { why })),
  });
  new Profile(state, sheet, part("profile"));
  titleBlock(state, part("title-block"));
  legend(state, sheet, part("legend"));
  tools(state, sheet, table, openWork);
  preparePrint(state, sheet);
  state.on("chosen", (chosen) => {
    const panel = chosen && ({ shot: "shots", line: "lines", crossing: "lines", sweep: "sweeps", dig: "digs", exposure: "digs" } as const)[chosen.kind];
    if (panel && tabs.current() !== "work" && !(panel === "shots" && tabs.current() === "findings")) tabs.open(panel);
  });
  keys(state, sheet, table, tabs);
  state.on("units", () => nameUnits(state, root));
  state.on("loaded", () => nameUnits(state, root));
  nameUnits(state, root);
  follow(state, sheet);
  root.dataset["ready"] = "true";
  // For tests and measurements: what the page holds.
  Object.assign(root, { asfound: { state, sheet } });
}

/** A job that was never processed: there is nothing to draw, but files can be added. */
function nothingYet(state: State, events: string, fresh: boolean, error: unknown): void {
  const words = error instanceof Trouble ? `${error.title} ${error.remedy}` : String(error);
  part("sheet-frame").hidden = true;
  part("schedule").hidden = true;
  const box = part("nothing");
  box.hidden = false;
  const processing = new Processing(state, part("processing"), events, async () => location.reload());
  fill(box, h("h2", {}, fresh ? "Nothing was processed yet" : "The sheet can't be shown"),
    h("p", {}, fresh ? "Add the receivers' files, then process the job." : words),
    fresh && state.may.work ? uploadArea(state, () => undefined, () => processing.changed()) : null);
  part("job").dataset["ready"] = "empty";
}

function remembered(wanted: string | undefined): boolean {
  return wanted === "metric";
}

/** Asks for the reason of what takes something back, and does it. */
function withReason(title: string, deedName: string, changed: () => void, deed: (why: string) => Promise<unknown>): void {
  const close = (): void => {
    dialog.close();
    dialog.remove();
  };
  const form = formOf(
    [{ name: "why", label: "Why", hint: "Stays in the ledger with your name." }],
    deedName,
    async (f) => {
      await deed(f.value("why"));
      changed();
      close();
      return "Entered.";
    },
  );
  const dialog = h("dialog", { class: "reason", "aria-label": title, close: () => dialog.remove() },
    h("h2", {}, title), form.element,
    h("button", { type: "button", class: "quiet", click: close }, "Leave it as it is"));
  part("job").append(dialog);
  dialog.showModal();
}

// --- tabs ---------------------------------------------------------------------------------------

interface Tabs {
  open(tab: Tab): void;
  current(): Tab;
}

function setTabs(): Tabs {
  let now: Tab = "shots";
  const buttons = TABS.map((tab) => part(`tab-${tab}`));
  const open = (tab: Tab, focus = false): void => {
    now = tab;
    part("schedule").dataset["tab"] = tab;
    TABS.forEach((one, k) => {
      const mine = one === tab;
      buttons[k]!.setAttribute("aria-selected", String(mine));
      buttons[k]!.tabIndex = mine ? 0 : -1;
      part(`panel-${one}`).hidden = !mine;
    });
    if (focus) part(`tab-${tab}`).focus();
  };
  buttons.forEach((button, k) => {
    button.addEventListener("click", () => open(TABS[k]!));
    button.addEventListener("keydown", (event) => {
      const step = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
      if (step === undefined) return;
      event.preventDefault();
      open(TABS[(k + step + TABS.length) % TABS.length]!, true);
    });
  });
  open(now);
  return { open, current: () => now };
}

// --- tools and keys -----------------------------------------------------------------------------

function tools(state: State, sheet: Sheet, table: ShotTable, openWork: (id: string) => void): void {
  const button = (words: string, click: () => void, extra: Record<string, string> = {}): HTMLButtonElement =>
    h("button", { type: "button", class: "tool", click, ...extra }, words);
  const toggle = (name: string, make: () => Parameters<Sheet["setTool"]>[0]) => (): void =>
    sheet.setTool(sheet.tool?.name === name ? null : make());
  const measure = button("Measure", toggle("measure", () => measureTool(sheet, state)), { "aria-pressed": "false" });
  const box = button("Box", toggle("box", () => boxTool(sheet, state)), { "aria-pressed": "false" });
  const units = button("", () => {
    state.setMetric(!state.metric);
    name();
    // Kept with the account; a token or a failed request changes nothing here.
    void state.api.patch("/api/v1/me", { metric: state.metric }).catch(() => undefined);
  });
  const name = (): void => {
    const job = state.view.units.length;
    units.hidden = job.code === "m";
    units.textContent = state.metric ? `Show ${job.symbol}` : "Show metres";
  };
  name();
  sheet.onTool = (tool) => {
    measure.setAttribute("aria-pressed", String(tool?.name === "measure"));
    box.setAttribute("aria-pressed", String(tool?.name === "box"));
    part("sheet").focus({ preventScroll: true });
  };
  fill(part("tools"),
    button("Whole job", () => sheet.fit(), { "aria-keyshortcuts": "0" }),
    button("+", () => sheet.zoom(1 / 1.6), { "aria-label": "Closer" }),
    button("\u2212", () => sheet.zoom(1.6), { "aria-label": "Farther" }),
    measure,
    state.may.work ? box : null,
    state.may.work ? button("Draw a dig", () => openWork("work-digs")) : null,
    button("Find", () => {
      part("tab-shots").click();
      table.focusSearch();
    }, { "aria-keyshortcuts": "/" }),
    units,
    button("Print", () => window.print()));
  void drawTool;
}

function keys(state: State, sheet: Sheet, table: ShotTable, tabs: Tabs): void {
  document.addEventListener("keydown", (event) => {
    const target = event.target as HTMLElement;
    const typing = target.matches("input:not([type=checkbox]), textarea, select");
    if (event.key === "/" && !typing && !event.ctrlKey && !event.metaKey) {
      event.preventDefault();
      tabs.open("shots");
      table.focusSearch();
    } else if (event.key === "Escape") {
      if (sheet.tool) sheet.setTool(null);
      else if (typing) target.blur();
      else if (state.chosen) state.choose(null);
      else state.setRange([]);
    }
  });
}

/** The address names what is chosen, so that a colleague can be sent to it: #shot=A-17 */
function follow(state: State, sheet: Sheet): void {
  const read = (): void => {
    const match = /^#(shot|line|sweep|dig|exposure|crossing)=(.+)$/.exec(location.hash);
    if (!match) return;
    const kind = match[1] as "shot";
    const index = state.find(kind, decodeURIComponent(match[2]!));
    if (index < 0) return;
    state.choose({ kind, index });
    sheet.show({ kind, index }, true);
  };
  state.on("chosen", (chosen) => {
    const hash = chosen ? `#${chosen.kind}=${encodeURIComponent(state.nameOf(chosen))}` : location.pathname + location.search;
    history.replaceState(null, "", hash);
  });
  window.addEventListener("hashchange", read);
  read();
}

void start().catch((error: unknown) => {
  part("nothing").hidden = false;
  fill(part("nothing"), h("p", { class: "trouble", role: "alert" }, `This page could not start: ${String(error)}`));
  throw error;
});
