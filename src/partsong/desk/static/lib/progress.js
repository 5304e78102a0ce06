// A line that shows a job: what it does, how far it is, how long it will take, and a way to stop it.
import { button, h } from "./dom.js";
import { left } from "./words.js";

/**
 * @param {HTMLElement} line
 * @param {import("./page.js").Job | undefined} job
 * @param {(kind: string) => unknown} cancel
 */
export function drawJob(line, job, cancel) {
  const running = job?.state === "running";
  line.hidden = !job;
  if (!job) return;
  if (running && line.dataset.state === "running") {
    update(line, job);
    return;
  }
  line.dataset.state = job.state;
  if (!running) {
    line.replaceChildren(h("p", { class: job.state === "failed" ? "job-end decide" : "job-end" }, job.sentence));
    return;
  }
  line.replaceChildren(
    h("p", { class: "job-words" }),
    h("progress", { "aria-label": job.title }),
    button("Cancel", () => cancel(job.kind), { "data-cancel": job.kind }),
  );
  update(line, job);
}

/** @param {HTMLElement} line @param {import("./page.js").Job} job */
function update(line, job) {
  const words = /** @type {HTMLElement} */ (line.querySelector(".job-words"));
  const bar = /** @type {HTMLProgressElement} */ (line.querySelector("progress"));
  words.textContent = [job.doing || job.title, left(job.left_s)].filter(Boolean).join(", ");
  if (job.total) {
    bar.max = job.total;
    bar.value = job.done;
  } else bar.removeAttribute("value");
}
