"use strict";
/* The page of a blind test by ear. It knows codes and sounds, and never which of them is odd.

   Rows are lines of CSV as `sheets.listening` of the library has them: each ends in a mark, the
   first 16 digits of the SHA-256 of the mark before it and the row's other cells. */
(() => {
  const byId = (id) => document.getElementById(id);
  const read = (id) => JSON.parse(byId(id).textContent);
  const test = read("test"), words = read("words");
  const fill = (text, fields) => text.replace(/\{(\w+)\}/g, (_, name) => fields[name]);
  const HEADER = "test,listener,place,trial,answer,replays,seconds,mark";
  const PRACTICE = 2, SOFTER = 0.5, PAUSE_MS = 500, WAIT_MS = 3000;
  const answers = [...document.querySelectorAll(".answers button")];

  /* SHA-256 (FIPS 180-4) of text, as hexadecimal digits: a page opened from a file may have no
     crypto of its own. The constants are the fractions of square and cube roots of primes. */
  const primes = [];
  for (let n = 2; primes.length < 64; n++) if (primes.every((p) => n % p)) primes.push(n);
  const fraction = (x) => Math.floor((x - Math.floor(x)) * 2 ** 32) | 0;
  const K = primes.map((p) => fraction(Math.cbrt(p)));
  const START = primes.slice(0, 8).map((p) => fraction(Math.sqrt(p)));
  const turn = (x, n) => (x >>> n) | (x << (32 - n));
  const sha256 = (text) => {
    const given = new TextEncoder().encode(text);
    const blocks = (given.length + 72) >> 6;
    const bytes = new Uint8Array(blocks * 64);
    bytes.set(given);
    bytes[given.length] = 0x80;
    const view = new DataView(bytes.buffer);
    view.setUint32(bytes.length - 4, given.length * 8);
    let sum = START;
    for (let block = 0; block < blocks; block++) {
      const w = Array.from({ length: 16 }, (_, i) => view.getInt32(block * 64 + i * 4));
      for (let i = 16; i < 64; i++) {
        const a = w[i - 15], b = w[i - 2];
        const s0 = turn(a, 7) ^ turn(a, 18) ^ (a >>> 3), s1 = turn(b, 17) ^ turn(b, 19) ^ (b >>> 10);
        w[i] = (w[i - 16] + s0 + w[i - 7] + s1) | 0;
      }
      let [a, b, c, d, e, f, g, h] = sum;
      for (let i = 0; i < 64; i++) {
        const s1 = turn(e, 6) ^ turn(e, 11) ^ turn(e, 25), s0 = turn(a, 2) ^ turn(a, 13) ^ turn(a, 22);
        const t1 = (h + s1 + ((e & f) ^ (~e & g)) + K[i] + w[i]) | 0;
        const t2 = (s0 + ((a & b) ^ (a & c) ^ (b & c))) | 0;
        [a, b, c, d, e, f, g, h] = [(t1 + t2) | 0, a, b, c, (d + t1) | 0, e, f, g];
      }
      sum = [a, b, c, d, e, f, g, h].map((x, i) => (x + sum[i]) | 0);
    }
    return sum.map((x) => (x >>> 0).toString(16).padStart(8, "0")).join("");
  };

  /* What is kept on this device: the rows of each listener, under the name of the test. */
  const key = (listener) => `listening ${test.name} ${listener}`;
  const store = (act) => {
    try { return act(window.localStorage); } catch { return undefined; }
  };
  const canStore = store((kept) => {
    kept.setItem(key("?"), "1");
    kept.removeItem(key("?"));
    return true;
  });
  const keptRows = (listener) => {
    const rows = JSON.parse(store((kept) => kept.getItem(key(listener))) ?? "null");
    return Array.isArray(rows) ? rows : [];
  };
  const unfinished = () => store((kept) => {
    const names = Object.keys(kept).filter((name) => name.startsWith(key("")));
    return names.map((name) => name.slice(key("").length))
      .find((name) => keptRows(name).length < test.trials.length);
  });

  let listener = "", rows = [], practised = 0, odd = 0, replays = 0, since = 0, busy = false;
  let context;
  const decoded = {};

  const tell = (...lines) => { byId("status").textContent = lines.filter(Boolean).join(" "); };
  const show = (id) => {
    for (const section of document.querySelectorAll("section")) section.hidden = section.id !== id;
    byId(id).querySelector("h2")?.focus();
  };
  const wait = (ms) => new Promise((done) => setTimeout(done, ms));

  const sound = (code) => decoded[code] ??= context.decodeAudioData(
    Uint8Array.from(atob(test.sounds[code]), (c) => c.charCodeAt(0)).buffer);
  const start = async () => {
    try { context ??= new AudioContext({ sampleRate: test.rate_hz }); } catch { context = new AudioContext(); }
    await Promise.race([context.resume(), wait(WAIT_MS)]);
    if (context.state !== "running") throw new Error(context.state);
  };
  const playOne = (buffer, gain) => new Promise((done) => {
    const source = context.createBufferSource(), level = context.createGain();
    source.buffer = buffer;
    level.gain.value = gain;
    source.connect(level).connect(context.destination);
    source.onended = done;
    source.start();
  });
  /* Play in turn; `gains` of each. True when all was heard. */
  const play = async (codes, gains, name) => {
    busy = true;
    try {
      await start();
      const buffers = await Promise.all(codes.map(sound));
      for (const [i, buffer] of buffers.entries()) {
        if (i) await wait(PAUSE_MS);
        name?.(i);
        await playOne(buffer, gains[i]);
        answers[i].classList.remove("sounds");
      }
      return true;
    } catch {
      tell(words.no_sound);
      return false;
    } finally {
      busy = false;
    }
  };

  const practising = () => practised < PRACTICE;
  const triangle = () => {
    if (!practising() && rows.length === test.trials.length) return end();
    replays = 0;
    since = 0;
    odd = Math.floor(Math.random() * 3);
    const [text, number, count] = practising()
      ? [words.practice, practised + 1, PRACTICE] : [words.trial, rows.length + 1, test.trials.length];
    byId("heading").textContent = fill(text, { number, count });
    byId("progress").max = count;
    byId("progress").value = number - 1;
    byId("task").textContent = practising() ? words.practice_task : words.task;
    byId("play").textContent = words.play;
    for (const button of answers) button.disabled = true;
    show("triangle");
  };
  const playTriangle = async () => {
    if (busy) return;
    if (since) replays++;
    since ||= performance.now();
    for (const button of answers) button.disabled = true;
    const codes = practising() ? Array(3).fill(test.loudest) : test.trials[rows.length][1];
    const gains = [0, 1, 2].map((i) => (practising() && i === odd ? SOFTER : 1));
    const heard = await play(codes, gains, (i) => {
      answers[i].classList.add("sounds");
      tell(fill(words.sounds, { nth: words.nth[i] }));
    });
    if (!heard) return;
    tell(words.which);
    byId("play").textContent = words.again;
    for (const button of answers) button.disabled = false;
  };
  const answer = (i) => {
    if (busy) return;
    let said;
    if (practising()) {
      practised++;
      said = fill(i === odd ? words.right : words.wrong, { nth: words.nth[odd] });
      if (!practising()) said += ` ${words.first_trial}`;
    } else {
      // Another window of this test may have gone on in the meantime.
      const kept = keptRows(listener);
      if (kept.length > rows.length) rows = kept;
      else {
        const seconds = Math.round((performance.now() - since) / 1000);
        const cells = [test.name, listener, rows.length + 1, test.trials[rows.length][0], i + 1, replays, seconds];
        const before = rows.length ? rows.at(-1).split(",").at(-1) : test.name;
        rows.push([...cells, sha256([before, ...cells].join(",")).slice(0, 16)].join(","));
        store((all) => all.setItem(key(listener), JSON.stringify(rows)));
      }
      said = words.kept;
    }
    triangle();
    tell(said, byId("triangle").hidden ? "" : byId("heading").textContent);
    if (!byId("triangle").hidden) byId("play").focus();
  };
  const end = () => {
    const text = [HEADER, ...rows, ""].join("\n");
    byId("rows").value = text;
    byId("save").href = URL.createObjectURL(new Blob([text], { type: "text/csv" }));
    byId("save").download = `listening-${test.name}-${listener}.csv`;
    byId("check").textContent = fill(words.check, { mark: rows.at(-1).split(",").at(-1) });
    show("end");
  };
  const begin = () => {
    const name = unfinished();
    const line = byId("unfinished");
    line.hidden = Boolean(canStore) && name === undefined;
    if (!canStore) line.textContent = words.no_store;
    else if (name !== undefined) {
      line.textContent = fill(words.unfinished, { listener: name, done: keptRows(name).length, count: test.trials.length });
    }
    byId("listener").value = name ?? "";
    tell("");
    show("begin");
  };

  byId("who").addEventListener("submit", (event) => {
    event.preventDefault();
    const given = byId("listener").value.trim();
    const fits = /^[A-Za-z0-9_-]{1,16}$/.test(given);
    byId("listener").setAttribute("aria-invalid", String(!fits));
    if (!fits) {
      tell(words.code);
      byId("listener").focus();
      return;
    }
    [listener, rows] = [given, keptRows(given)];
    practised = rows.length ? PRACTICE : 0;
    tell(rows.length === test.trials.length ? fill(words.finished, { listener }) : "");
    if (rows.length === test.trials.length) end();
    else show("level");
  });
  byId("loudest").addEventListener("click", async () => {
    if (!busy && await play([test.loudest], [1])) byId("comfortable").disabled = false;
  });
  byId("comfortable").addEventListener("click", () => {
    if (busy) return;
    tell("");
    triangle();
  });
  byId("play").addEventListener("click", playTriangle);
  answers.forEach((button, i) => button.addEventListener("click", () => answer(i)));
  byId("next").addEventListener("click", () => {
    practised = 0;
    byId("comfortable").disabled = true;
    begin();
    byId("listener").value = "";
    byId("listener").focus();
  });
  begin();
})();
