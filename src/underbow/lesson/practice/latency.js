// How many seconds the loudspeaker is behind a context's clock, in what began to sound at a moment of that clock.
//
// Firefox can stand still for ever where it is asked that while it opens the loudspeaker: the page waits for the sound's thread,
// and that for the page. So it isn't asked before the sound has gone on for a while, or was asked before: then it remembers.
const OPENING = 5;  // seconds; a busy machine takes more than two
const FIREFOX = "mozInnerScreenX" in globalThis;
const answered = new WeakSet();  // contexts

function mayAsk(context, begun) {
  return !FIREFOX || answered.has(context) || context.currentTime - begun > OPENING;
}

function latency(context, begun) {
  if (!mayAsk(context, begun)) return context.baseLatency;
  const late = context.outputLatency;  // asked once for a picture: WebKit asks its whole sound chain
  if (FIREFOX && late) answered.add(context);
  return late || context.baseLatency || 0;
}
