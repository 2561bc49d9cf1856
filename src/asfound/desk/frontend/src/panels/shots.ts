// The table of shots: as long as the job is, with only the rows in view in the page.

import { fill, h, part } from "../dom";
import { MISSING_LENGTH, MISSING_PLACE, shotIndex, shotName, VERDICTS } from "../model";
import type { State } from "../state";
import type { Sheet } from "../map/sheet";
import { swatch, verdictSymbol } from "./symbols";

const FINGER = window.matchMedia("(max-width: 56rem), (pointer: coarse)");
const ROW = FINGER.matches ? 44 : 30; // as --row in job.css [px]
const SPARE = 6;

export class ShotTable {
  private rows: Uint32Array = new Uint32Array(0);
  private place = new Map<number, number>();
  private readonly body: HTMLElement;
  private readonly room: HTMLElement;
  private readonly head: HTMLElement;
  private readonly count: HTMLElement;
  private readonly search: HTMLInputElement;
  private readonly lines: HTMLSelectElement;
  private readonly pool = new Map<number, HTMLElement>();
  private waiting = false;

  constructor(
    private readonly state: State,
    private readonly sheet: Sheet,
    panel: HTMLElement,
  ) {
    this.search = h("input", {
      id: "search", type: "search", autocomplete: "off", spellcheck: "false",
      placeholder: "Shot, line, hook-up, note", "aria-keyshortcuts": "/",
      input: () => this.filter({ text: this.search.value }),
      keydown: (event: KeyboardEvent) => {
        if (event.key !== "Enter" || !this.rows.length) return;
        event.preventDefault();
        this.choose(this.rows[0]!);
        this.body.focus();
      },
    });
    this.lines = h("select", { id: "filter-line", change: () => this.filter({ line: Number(this.lines.value) }) });
    const verdicts = VERDICTS.map((verdict, k) =>
      h("label", { class: "check" },
        h("input", {
          type: "checkbox", checked: true, name: `verdict-${verdict}`,
          change: (event: Event) => {
            const next = [...this.state.filter.verdicts] as [boolean, boolean, boolean];
            next[k] = (event.target as HTMLInputElement).checked;
            this.filter({ verdicts: next });
          },
        }), verdictSymbol(verdict), verdict));
    this.count = h("p", { class: "count", role: "status" });
    this.head = h("div", { class: "row head", role: "row" });
    this.room = h("div", { class: "room", role: "presentation" });
    this.body = h("div", {
      class: "shots-body", role: "grid", tabindex: "0", id: "shots-grid", "aria-label": "Shots",
      scroll: () => this.later(), keydown: (event: KeyboardEvent) => this.key(event),
    }, h("div", { role: "rowgroup", class: "head-group" }, this.head), h("div", { role: "rowgroup" }, this.room));
    fill(panel,
      h("div", { class: "sieve", role: "search", "aria-label": "Find shots" },
        h("label", { class: "said", for: "search" }, "Find shots by name, line, hook-up or note"), this.search,
        h("label", { class: "said", for: "filter-line" }, "Only shots of line"), this.lines,
        h("fieldset", { class: "verdicts" }, h("legend", { class: "said" }, "Verdicts shown"), verdicts)),
      this.count, this.body);
    state.on("loaded", () => this.load());
    state.on("filter", () => this.sieve());
    state.on("units", () => this.load());
    state.on("range", () => this.paint(true));
    state.on("chosen", (chosen) => {
      this.paint(true);
      // After the panels below have taken their room.
      if (chosen?.kind === "shot") requestAnimationFrame(() => this.reveal(chosen.index));
    });
    new ResizeObserver(() => this.paint()).observe(this.body);
    this.load();
  }

  focusSearch(): void {
    this.search.focus();
    this.search.select();
  }

  private filter(next: Parameters<State["setFilter"]>[0]): void {
    this.state.setFilter(next);
  }

  private load(): void {
    const { view, units, filter } = this.state;
    fill(this.lines,
      h("option", { value: -2 }, "all lines"),
      view.lines.map((line, k) => h("option", { value: k }, `${line.name}, ${view.utilities[line.utility]!.word}`)),
      h("option", { value: -1 }, "on no line"));
    this.lines.value = String(filter.line);
    const heads = ["Shot", "Line", `Depth ${units.length.symbol}`, `Sideways 95 % ${units.length.symbol}`, `Height 95 % ${units.length.symbol}`];
    fill(this.head, heads.map((words, k) =>
      h("span", { role: "columnheader", class: k > 1 ? "number" : "" }, words)));
    this.sieve();
  }

  private sieve(): void {
    const { shots, shown, members } = this.state;
    const rows = new Uint32Array(shots.count);
    let count = 0;
    // A shot whose name was typed in full stands first.
    const named = shotIndex(shots, this.state.filter.text.trim().toUpperCase());
    if (named >= 0 && shown[named]) rows[count++] = named;
    // Along each line in turn, then what is on none: so that neighbours stand together.
    for (const line of members) for (const shot of line) if (shown[shot] && shot !== named) rows[count++] = shot;
    for (let k = 0; k < shots.count; k++) if (shots.line[k]! < 0 && shown[k] && k !== named) rows[count++] = k;
    this.rows = rows.subarray(0, count);
    this.place.clear();
    this.rows.forEach((shot, k) => this.place.set(shot, k));
    this.room.style.height = `${count * ROW}px`;
    this.body.setAttribute("aria-rowcount", String(count + 1));
    this.count.textContent =
      count === shots.count ? `${count} shots` : `${count} of ${shots.count} shots`;
    this.paint(true);
  }

  private later(): void {
    if (this.waiting) return;
    this.waiting = true;
    requestAnimationFrame(() => {
      this.waiting = false;
      this.paint();
    });
  }

  private paint(afresh = false): void {
    const { body, room, pool } = this;
    if (afresh) {
      pool.clear();
      room.replaceChildren();
    }
    const from = Math.max(0, Math.floor(body.scrollTop / ROW) - SPARE);
    const to = Math.min(this.rows.length, Math.ceil((body.scrollTop + body.clientHeight) / ROW) + SPARE);
    for (const [at, element] of pool) {
      if (at < from || at >= to) {
        element.remove();
        pool.delete(at);
      }
    }
    for (let at = from; at < to; at++) {
      if (pool.has(at)) continue;
      const element = this.row(at);
      pool.set(at, element);
      room.append(element);
    }
    const chosen = this.state.chosen;
    const active = chosen?.kind === "shot" && pool.has(this.place.get(chosen.index) ?? -1);
    if (active) body.setAttribute("aria-activedescendant", `shot-${chosen.index}`);
    else body.removeAttribute("aria-activedescendant");
  }

  private row(at: number): HTMLElement {
    const { state } = this;
    const { shots, view, units } = state;
    const shot = this.rows[at]!;
    const verdict = VERDICTS[shots.verdict[shot]!]!;
    const chosen = state.chosen?.kind === "shot" && state.chosen.index === shot;
    const length = (value: number): string => (value === MISSING_LENGTH ? "" : units.number(value * 1e-4));
    const line = shots.line[shot]!;
    const control = shots.control[shot]!;
    return h("div", {
      class: `row${state.range.has(shot) ? " ranged" : ""}`, role: "row", id: `shot-${shot}`,
      "aria-rowindex": at + 2, "aria-selected": chosen ? "true" : "false",
      style: `top:${at * ROW}px`,
      click: (event: MouseEvent) => this.click(shot, event),
    },
    h("span", { role: "gridcell", class: "name" }, verdictSymbol(verdict), shotName(shots, shot),
      h("span", { class: "said" }, `, ${verdict}`)),
    h("span", { role: "gridcell" },
      control >= 0
        ? `check on ${shots.controls[control]}`
        : [swatch(state, shots.utility[shot]!), line >= 0 ? view.lines[line]!.name : "no line",
          h("span", { class: "said" }, `, ${view.utilities[shots.utility[shot]!]!.word}`)]),
    h("span", { role: "gridcell", class: "number" },
      shots.depth[shot] === MISSING_PLACE ? "" : units.number(shots.depth[shot]! * 1e-4)),
    h("span", { role: "gridcell", class: "number" }, length(shots.horizontal_95[shot]!)),
    h("span", { role: "gridcell", class: "number" }, length(shots.vertical_95[shot]!)));
  }

  private click(shot: number, event: MouseEvent): void {
    const { state } = this;
    if (event.shiftKey && state.chosen?.kind === "shot") {
      const from = this.place.get(state.chosen.index);
      const to = this.place.get(shot);
      if (from !== undefined && to !== undefined) {
        const range = this.rows.subarray(Math.min(from, to), Math.max(from, to) + 1);
        state.setRange(range);
        return;
      }
    }
    if (event.ctrlKey || event.metaKey) {
      const range = new Set(state.range);
      if (!range.delete(shot)) range.add(shot);
      state.setRange(range);
      return;
    }
    this.choose(shot);
    // On a phone what is chosen stands below the table, out of sight.
    if (FINGER.matches) requestAnimationFrame(() => part("detail").scrollIntoView({ block: "start" }));
  }

  private choose(shot: number): void {
    this.state.choose({ kind: "shot", index: shot });
    this.sheet.show({ kind: "shot", index: shot });
  }

  private reveal(shot: number): void {
    const at = this.place.get(shot);
    if (at === undefined) return;
    const top = at * ROW;
    const { body } = this;
    const headroom = this.head.offsetHeight;
    if (top < body.scrollTop || top + ROW > body.scrollTop + body.clientHeight - headroom) {
      body.scrollTop = top - body.clientHeight / 2;
    }
  }

  private key(event: KeyboardEvent): void {
    const { state } = this;
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const at = state.chosen?.kind === "shot" ? (this.place.get(state.chosen.index) ?? -1) : -1;
    const page = Math.max(1, Math.floor(this.body.clientHeight / ROW) - 2);
    const steps: Record<string, number> = {
      ArrowDown: 1, ArrowUp: -1, PageDown: page, PageUp: -page, Home: -this.rows.length, End: this.rows.length,
    };
    const step = steps[event.key];
    if (step === undefined || !this.rows.length) return;
    event.preventDefault();
    const next = at < 0 ? 0 : Math.min(Math.max(at + step, 0), this.rows.length - 1);
    if (event.shiftKey && at >= 0) state.setRange([...state.range, this.rows[at]!, this.rows[next]!]);
    this.choose(this.rows[next]!);
  }
}

