// What lies below the tune: who plays and how near, and what was practised.

// --- players ---

function showPlayers() {
  const pass = score.passAt(practice.now().time);
  for (const part of sound.parts) {
    const level = practice.level(part, pass) ?? null;
    const at = DISTANCES.find(([, decibels]) => decibels === level);
    for (const [name] of DISTANCES) $(`${part}-${name}`).checked = at?.[0] === name;
    $(`${part}-name`).textContent = at ? words[`player_${part}`]
      : fill(words.player_at, {player: words[`player_${part}`], decibels: level});
  }
  document.querySelectorAll("#placings button").forEach((button, i) => {
    button.setAttribute("aria-pressed", String(i === practice.placing && practice.moved.size === 0));
  });
  const mix = mixes[practice.placing];
  $("placing-about").textContent = practice.moved.size ? "" : mix.about;
}

function nextDistance(number) {
  const part = sound.parts[number];
  if (!part) return;
  const level = practice.level(part, score.passAt(practice.now().time));
  const at = DISTANCES.findIndex(([, decibels]) => decibels !== null && decibels <= (level ?? -Infinity));
  const [name, decibels] = DISTANCES[level === null || level === undefined ? 0 : Math.min(Math.max(at, 0) + 1, 3)];
  practice.move(part, decibels);
  told(`${words[`player_${part}`]}: ${words[name]}`);
}

// --- the log ---

function showLog() {
  $("log-text").value = book.text(words);
  $("log-where").textContent = book.kept ? words.log_where : words.log_not_kept;
}

async function copyLog() {
  const box = $("log-text");
  showLog();
  try {
    await navigator.clipboard.writeText(`${title}\n${box.value}`);
    tell(words.log_copied);
  } catch {
    box.focus();
    box.select();
    tell(words.log_by_hand);
  }
}
