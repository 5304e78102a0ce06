// Times and counts in words.

/** @param {number} seconds */
export function clock(seconds) {
  const hundredths = Math.round(Math.abs(seconds) * 100);
  const minutes = Math.floor(hundredths / 6000);
  const rest = hundredths % 6000;
  const two = (/** @type {number} */ n) => String(n).padStart(2, "0");
  return `${seconds < 0 && hundredths ? "−" : ""}${two(minutes)}:${two(Math.floor(rest / 100))}.${two(rest % 100)}`;
}

/** @param {number} count @param {string} thing */
export function counted(count, thing) {
  return `${count} ${thing}${count === 1 ? "" : "s"}`;
}

/** Time left in words, rough as it is known. @param {number | null} seconds */
export function left(seconds) {
  if (seconds === null) return "";
  if (seconds < 10) return "a few seconds left";
  if (seconds < 90) return `about ${Math.round(seconds / 5) * 5} seconds left`;
  return `about ${Math.round(seconds / 60)} minutes left`;
}

/** @type {Record<string, string>} */
export const PHASE_NAMES = {
  prepare: "Prepare", shoot: "Shoot", lineup: "Line up", stage: "Stage", look: "Look", cut: "Cut", signoff: "Sign off",
};
