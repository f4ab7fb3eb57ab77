// One clock: the shop's. Times are said and entered as its wall clock shows them, on every phone and on the office's pages alike.

const PARTS = { year: 'numeric', month: '2-digit', day: '2-digit', hour: '2-digit', minute: '2-digit', hourCycle: 'h23' };
const made = (timeZone) => new Intl.DateTimeFormat('en-GB', { ...PARTS, timeZone });

let format = made(undefined);
let name = null;

/** Says times in this zone from now on; the phone's own where the browser does not know it. */
export function setZone(zone) {
  if (zone === name) return;
  name = zone;
  try {
    format = made(zone);
  } catch {
    format = made(undefined);
  }
}

/** A time, in ms since 1970 UTC, as year, month, day, hour and minute of the shop's clock. */
function local(ms) {
  const part = Object.fromEntries(format.formatToParts(new Date(ms)).map(({ type, value }) => [type, value]));
  return [part.year, part.month, part.day, part.hour, part.minute];
}

/** A time in words: `2026-06-01 08:00`, as the office's pages have it. */
export function when(ms) {
  const [year, month, day, hour, minute] = local(ms);
  return `${year}-${month}-${day} ${hour}:${minute}`;
}

/** A time on the shop's clock, as a field of a form has it (`2026-06-01T08:00`), in ms since 1970 UTC. */
export function msOf(text) {
  const wanted = Date.parse(`${text}Z`);
  let ms = wanted;
  // Twice: the first guess may lie on the other side of a change of the clocks.
  for (let n = 0; n < 2; n += 1) {
    const [year, month, day, hour, minute] = local(ms).map(Number);
    ms += wanted - Date.UTC(year, month - 1, day, hour, minute);
  }
  return ms;
}
