// Processing a job: asked for once, followed by events, and its results put on the page.

import { Trouble } from "../api";
import { announce, fill, h, part } from "../dom";
import type { State } from "../state";

interface TaskNews {
  id?: string | number;
  kind?: string;
  state?: "none" | "waiting" | "running" | "done" | "failed";
  step?: string;
  words?: string;
  progress?: number;
  message?: string;
  head?: number;
  finished?: string | null;
}

const JUST_NOW = 15_000; // a task that ended so shortly ago may have been missed [ms]

export class Processing {
  private seen = "";
  private stale = false;

  constructor(
    private readonly state: State,
    private readonly box: HTMLElement,
    events: string,
    private readonly reload: () => Promise<void>,
  ) {
    this.idle();
    if (!events) return;
    const source = new EventSource(events);
    source.onmessage = (event) => this.news(event);
    for (const name of ["task", "progress", "done", "failed"]) {
      source.addEventListener(name, (event) => this.news(event as MessageEvent));
    }
    window.addEventListener("pagehide", () => source.close());
  }

  /** Something was entered that the results don't show yet. */
  changed(): void {
    this.stale = true;
    this.idle();
  }

  private idle(words = "", failed = false): void {
    const { may } = this.state;
    this.box.classList.toggle("failed", failed);
    fill(this.box,
      h("span", { class: "said-state" }, words || (this.stale ? "Entered since the last processing: not on the sheet yet." : "")),
      may.work ? h("button", { type: "button", class: this.stale ? "" : "quiet", click: () => void this.start() }, "Process") : null);
  }

  private async start(): Promise<void> {
    fill(this.box, h("span", { class: "said-state" }, "Waiting for the worker …"));
    try {
      await this.state.api.post("process", {});
    } catch (error) {
      this.idle(error instanceof Trouble ? `${error.title} ${error.remedy}` : String(error), true);
    }
  }

  private news(event: MessageEvent): void {
    let task: TaskNews;
    try {
      task = JSON.parse(String(event.data)) as TaskNews;
    } catch {
      return;
    }
    if (!task.state || task.state === "none") return;
    const mark = `${task.id}|${task.state}|${task.step}|${task.progress}`;
    if (mark === this.seen) return;
    const first = this.seen === "";
    this.seen = mark;
    if (task.state === "waiting" || task.state === "running") {
      const step = task.step || task.words || "Waiting for the worker";
      this.box.classList.remove("failed");
      fill(this.box,
        h("progress", { max: 1, value: task.progress && task.progress > 0 ? Math.min(task.progress, 1) : null, "aria-label": "Processing" }),
        h("span", { class: "said-state" }, `${step} …`));
      announce(step);
    } else if (task.state === "failed") {
      this.idle(`Processing stopped: ${task.message ?? task.words ?? "no reason given."}`, true);
      announce("Processing stopped.");
    } else if (first && !(task.finished && Date.now() - Date.parse(task.finished) < JUST_NOW)) {
      // The last task was done before this page was opened: its results are on the sheet.
      part("job").dataset["shown"] = String(task.id);
      this.idle();
    } else {
      this.stale = false;
      void this.reload().then(() => {
        // A page that had nothing to show loads itself again.
        if (!this.state.view) return;
        part("job").dataset["shown"] = String(task.id);
        this.idle("Done: the sheet shows the new results.");
        const words = this.box.querySelector(".said-state");
        words?.classList.add("passing");
        window.setTimeout(() => {
          if (words?.isConnected) this.idle();
        }, 8000);
        announce(`Processed: ${this.state.view.counts.sound} sound, ${this.state.view.counts.doubtful} doubtful, ${this.state.view.counts.unfit} unfit.`);
      });
    }
    part("job").dataset["task"] = task.state;
  }
}
