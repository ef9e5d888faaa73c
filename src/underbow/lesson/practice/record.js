// Recording oneself while the track plays: heard again with the track, saved as a file, and nothing of it leaves this device.
const LATE = "underbow: late";
const listener = `data:text/javascript,${encodeURIComponent(data.listener)}`;  // a file's page may load no blob here
let taking = null;   // {take, here, begun} while it records
let testing = false;
let taken = null;    // {samples, rate, here} of the last take

// How late this device hears what it plays, in seconds; null where that wasn't tested.
function late() {
  try {
    const text = localStorage.getItem(LATE);
    return text === null || !Number.isFinite(Number(text)) ? null : Number(text);
  } catch { return late.now ?? null; }
}

function keepLate(seconds) {
  late.now = seconds;
  try { localStorage.setItem(LATE, String(seconds)); } catch { /* then until the page is closed */ }
}

const why = (fault) => fault instanceof DOMException ? words[refusal(fault)] : words.held_back;

function showRecord(said = "") {
  const seconds = late();
  $("record-late").textContent = said || (seconds === null ? words.record_untested : fill(words.record_tested, {ms: Math.round(1000 * seconds)}));
  $("record-go").textContent = taking ? words.record_stop : words.record_begin;
  $("record-go").setAttribute("aria-pressed", String(Boolean(taking)));
  $("record-go").disabled = testing;
  $("record-test").disabled = testing || Boolean(taking);
  $("record-done").hidden = !taken || Boolean(taking);
}

async function testLate() {
  if (practice.playing) practice.pause();
  testing = true;
  let said = "";
  try {
    await sound.wake();
    showRecord(words.record_testing);
    const found = await Take.delay(sound.context, listener);
    if (found === null) said = words.record_unclear; else keepLate(found);
  } catch (fault) {
    said = why(fault);
  }
  testing = false;
  showRecord(said);
}

async function toggleRecord() {
  if (taking) { practice.pause(); return; }
  if (practice.playing) practice.pause();
  try {
    await sound.wake();
    const take = await new Take(sound.context, listener).open();
    const here = taking = {take, here: practice.here, begun: 0};
    take.onfull = () => practice.pause();
    await toggle();
    here.begun = sound.run?.t0 ?? 0;
    showRecord();
    const look = setInterval(() => {
      if (practice.playing) return;
      clearInterval(look);
      setTimeout(finishRecord, 300);  // what is still on its way from the microphone
    }, 100);
  } catch (fault) {
    taking?.take.close();
    taking = null;
    showRecord(why(fault));
  }
}

// The file begins with what the learner heard first, so that it lies beside the track.
function finishRecord() {
  const {take, here, begun} = taking;
  taking = null;
  take.close();
  const {context} = take;
  const samples = take.from(begun + (late() ?? latency(context, begun)));
  if (!begun || !samples.length) return showRecord(words.mic_silent);
  taken = {samples, rate: context.sampleRate, here};
  const link = $("record-save");
  URL.revokeObjectURL(link.href);
  link.href = URL.createObjectURL(wav(samples, context.sampleRate));
  link.download = `${title.replace(/[\\/:*?"<>|]/g, "")} take.wav`;
  showRecord();
}

// With the track, from the same place.
async function hearTake() {
  if (practice.playing) practice.pause();
  practice.here = taken.here;
  await toggle();
  if (!sound.run) return;
  const buffer = new AudioBuffer({length: taken.samples.length, sampleRate: taken.rate});
  buffer.copyToChannel(taken.samples, 0);
  const node = new AudioBufferSourceNode(sound.context, {buffer});
  node.connect(sound.run.out);
  sound.run.nodes.add(node);
  node.start(sound.run.t0);
}

$("record-go").addEventListener("click", toggleRecord);
$("record-test").addEventListener("click", testLate);
$("record-hear").addEventListener("click", hearTake);
showRecord();
