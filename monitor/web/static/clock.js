// A moment in the words of every other page of stormwalk: "Mon 23 Feb 07:00 EST", on the yard's clock.

const NAMED_OFFSET = /^(?:GMT|UTC)[+\u2212-]/;

/** `zone` is the yard's; where it is not known, the phone's own clock is told. Either way the clock is named. */
export function clock(moment, zone) {
  const part = partsOf("en-US", moment, zone);
  return `${part.weekday} ${part.day} ${part.month} ${part.hour}:${part.minute} ${nameOf(moment, zone)}`;
}

/** The clock's name as people there say it: each English knows those of its own part of the world. */
function nameOf(moment, zone) {
  const names = ["en-US", "en-GB", "en-AU"].map((english) => partsOf(english, moment, zone).timeZoneName);
  return names.find((name) => !NAMED_OFFSET.test(name)) ?? names[0];
}

function partsOf(english, moment, zone) {
  const format = new Intl.DateTimeFormat(english, {
    weekday: "short",
    day: "numeric",
    month: "short",
    hour: "2-digit",
    minute: "2-digit",
    hourCycle: "h23",
    timeZoneName: "short",
    timeZone: zone || undefined,
  });
  return Object.fromEntries(format.formatToParts(new Date(moment)).map(({ type, value }) => [type, value]));
}
