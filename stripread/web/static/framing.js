// Framing help in the camera's picture, before the shutter: outlines the corner markers and gives one hint at a time.
// Loaded on demand. Nothing leaves the phone; the shutter takes the camera's largest picture.
"use strict";
{
  const LOOK_MS = 150, WIDTH = 480;
  // The grey bed has 172 in a normal exposure (shared/data/card.json); where it has 225, light pads are clipped.
  const BED_TOO_BRIGHT = 225;
  const element = (tag, more = {}, ...children) => {
    const made = Object.assign(document.createElement(tag), more);
    made.append(...children);
    return made;
  };

  // The card's corner markers: dark frames around light cells on light paper; connected dark areas of a binarised picture.
  const squares = (grey, width, height) => {
    const dark = threshold(grey, width, height), label = new Int32Array(width * height), found = [];
    const stack = [];
    for (let start = 0; start < dark.length; start += 1) {
      if (!dark[start] || label[start]) continue;
      let x0 = width, x1 = 0, y0 = height, y1 = 0, n = 0;
      stack.push(start);
      label[start] = 1;
      while (stack.length) {
        const i = stack.pop(), x = i % width, y = (i - x) / width;
        n += 1;
        x0 = Math.min(x0, x); x1 = Math.max(x1, x); y0 = Math.min(y0, y); y1 = Math.max(y1, y);
        for (const [j, inside] of [[i - 1, x > 0], [i + 1, x < width - 1], [i - width, y > 0], [i + width, y < height - 1]]) {
          if (inside && dark[j] && !label[j]) {
            label[j] = 1;
            stack.push(j);
          }
        }
      }
      const box = {x: x0, y: y0, w: x1 - x0 + 1, h: y1 - y0 + 1};
      if (x0 > 1 && y0 > 1 && x1 < width - 2 && y1 < height - 2 && isMarker(box, n, grey, dark, width)) found.push(box);
    }
    return found;
  };
  // Darker than three quarters of the mean around it: an integral image, so that shadows do not matter.
  const threshold = (grey, width, height) => {
    const sum = new Float64Array((width + 1) * (height + 1)), dark = new Uint8Array(width * height), r = Math.round(width / 12);
    for (let y = 0; y < height; y += 1) {
      let row = 0;
      for (let x = 0; x < width; x += 1) {
        row += grey[y * width + x];
        sum[(y + 1) * (width + 1) + x + 1] = sum[y * (width + 1) + x + 1] + row;
      }
    }
    for (let y = 0; y < height; y += 1) for (let x = 0; x < width; x += 1) {
      const a = Math.max(0, x - r), b = Math.min(width, x + r), c = Math.max(0, y - r), d = Math.min(height, y + r), s = width + 1;
      const mean = (sum[d * s + b] - sum[c * s + b] - sum[d * s + a] + sum[c * s + a]) / ((b - a) * (d - c));
      dark[y * width + x] = grey[y * width + x] < 0.75 * mean ? 1 : 0;
    }
    return dark;
  };
  // Colour patches have no light cells inside, letters are not square, and the table is not surrounded by paper.
  const isMarker = ({x, y, w, h}, n, grey, dark, width) => {
    const side = Math.max(w, h), share = n / (w * h);
    if (side < width / 40 || side > width / 4 || Math.min(w, h) < 0.5 * side || share < 0.25 || share > 0.85) return false;
    let cells = 0, all = 0, inside = 0, paper = 0, around = 0;
    for (let j = Math.ceil(y + h / 4); j < y + 3 * h / 4; j += 1) for (let i = Math.ceil(x + w / 4); i < x + 3 * w / 4; i += 1) {
      all += 1;
      if (dark[j * width + i]) inside += grey[j * width + i]; else cells += 1;
    }
    for (let i = x; i < x + w; i += 2) {
      paper += grey[(y - 2) * width + i] + grey[(y + h + 1) * width + i];
      around += 2;
    }
    const darkness = inside / Math.max(1, all - cells);
    return cells > 0.1 * all && cells < 0.8 * all && paper / around > Math.max(70, 1.4 * darkness);
  };
  const middle = ({x, y, w, h}) => [x + w / 2, y + h / 2];
  // Twice the area of a quadrilateral.
  const area = (points) => Math.abs(points.reduce((sum, [x, y], i) => sum + x * points[(i + 1) % 4][1] - points[(i + 1) % 4][0] * y, 0));
  // The four markers, alike in size and farthest apart, in the order of a turn around their middle; null for fewer.
  const corners = (found) => {
    const some = [...found].sort((a, b) => b.w * b.h - a.w * a.h).slice(0, 8);
    let best = null, largest = 0;
    for (let a = 0; a < some.length; a += 1) for (let b = a + 1; b < some.length; b += 1) for (let c = b + 1; c < some.length; c += 1) for (let d = c + 1; d < some.length; d += 1) {
      const four = [some[a], some[b], some[c], some[d]], size = four.map((m) => m.w * m.h);
      if (Math.min(...size) < 0.3 * Math.max(...size)) continue;
      const cx = four.reduce((s, m) => s + middle(m)[0], 0) / 4, cy = four.reduce((s, m) => s + middle(m)[1], 0) / 4;
      four.sort((p, q) => Math.atan2(middle(p)[1] - cy, middle(p)[0] - cx) - Math.atan2(middle(q)[1] - cy, middle(q)[0] - cx));
      const size4 = area(four.map(middle));
      if (size4 > largest) [best, largest] = [four, size4];
    }
    return best;
  };
  // Share of too bright pixels on the grey bed on both sides of the strip, whose own white may be saturated. The bed is 46
  // to 59 mm from the top of the card, the strip 49 to 56 mm, the centres of the markers 13 and 92 mm (shared/data/card.json).
  const tooBright = (four, {data, width}) => {
    let [p, q, r, s] = four.map(middle);
    if (Math.hypot(q[0] - p[0], q[1] - p[1]) < Math.hypot(r[0] - q[0], r[1] - q[1])) [p, q, r, s] = [q, r, s, p];
    let white = 0, n = 0;
    for (let u = 0.05; u < 0.95; u += 0.01) for (const v of [0.43, 0.44, 0.56, 0.57]) {
      const at = [0, 1].map((k) => Math.round((1 - v) * ((1 - u) * p[k] + u * q[k]) + v * ((1 - u) * s[k] + u * r[k]))), i = 4 * (at[1] * width + at[0]);
      n += 1;
      if (Math.min(data[i], data[i + 1], data[i + 2]) > BED_TOO_BRIGHT) white += 1;
    }
    return white / n;
  };
  // What to say of a picture; positions of the markers where they were found.
  const judge = ({data, width, height}) => {
    const grey = new Uint8Array(width * height);
    for (let i = 0; i < grey.length; i += 1) grey[i] = (data[4 * i] * 77 + data[4 * i + 1] * 150 + data[4 * i + 2] * 29) >> 8;
    const mean = grey.reduce((s, v) => s + v, 0) / grey.length, found = squares(grey, width, height), four = corners(found);
    if (mean < 45) return {hint: "dark", found};
    if (!four) return {hint: found.some((m) => Math.max(m.w, m.h) > 0.16 * width) ? "back" : "markers", found};
    const x0 = Math.min(...four.map((m) => m.x)), x1 = Math.max(...four.map((m) => m.x + m.w)), y0 = Math.min(...four.map((m) => m.y)), y1 = Math.max(...four.map((m) => m.y + m.h));
    const fill = Math.max((x1 - x0) / width, (y1 - y0) / height);
    if (fill < 0.5) return {hint: "closer", found: four};
    let sharp = 0;
    const brightness = [[], [], [], []];
    for (let y = y0; y < y1; y += 1) for (let x = x0; x < x1; x += 1) {
      const i = y * width + x;
      sharp = Math.max(sharp, Math.abs(grey[i + 1] - grey[i - 1]));
      if (x % 5 === 0 && y % 5 === 0) brightness[(x > (x0 + x1) / 2 ? 1 : 0) + (y > (y0 + y1) / 2 ? 2 : 0)].push(grey[i]);
    }
    const paper = brightness.map((list) => list.sort((a, b) => a - b)[Math.floor(0.9 * list.length)] ?? 0);
    if (tooBright(four, {data, width}) > 0.1) return {hint: "glare", found: four};
    if (Math.max(...paper) > 1.6 * Math.min(...paper)) return {hint: "shadow", found: four};
    return {hint: sharp < 60 ? "blurred" : "good", found: four};
  };

  const styled = new Promise((done) => {
    document.head.append(element("link", {rel: "stylesheet", href: document.querySelector("main").dataset.camera, onload: done, onerror: done}));
  });
  const camera = async () => navigator.mediaDevices.getUserMedia({audio: false, video: {
    facingMode: {ideal: "environment"}, width: {ideal: 4096}, height: {ideal: 3072}}});
  // The largest picture that the camera gives; where the browser cannot ask for it, the frame itself.
  const picture = async (stream, video) => {
    const [track] = stream.getVideoTracks();
    try {
      if (window.ImageCapture) return await new ImageCapture(track).takePhoto({fillLightMode: "off"});
    } catch { /* some cameras have no still picture */ }
    const canvas = element("canvas", {width: video.videoWidth, height: video.videoHeight});
    canvas.getContext("2d").drawImage(video, 0, 0);
    return new Promise((done) => { canvas.toBlob(done, "image/jpeg", 0.97); });
  };

  // Exif 2.32, big-endian: one directory that points to another, with DateTimeOriginal (9003) and its offset (9011).
  const EXIF = "ffe1005b4578696600004d4d002a00000008000187690004000000010000001a000000000002900300020000001400000038"
    + "90110002000000070000004c00000000";
  const hasExif = (bytes) => {
    for (let i = 2; bytes[i] === 0xff && bytes[i + 1] !== 0xda; i += 2 + 256 * bytes[i + 2] + bytes[i + 3]) if (bytes[i + 1] === 0xe1) return true;
    return false;
  };
  // The picture with the time by the phone's clock, as camera apps write it: the server compares it with the dip.
  const dated = async (blob, at) => {
    const bytes = new Uint8Array(await blob.arrayBuffer()), zone = -at.getTimezoneOffset(), two = (n) => String(Math.floor(n)).padStart(2, "0");
    if (bytes[0] !== 0xff || bytes[1] !== 0xd8 || hasExif(bytes)) return blob;
    const local = new Date(at.getTime() + 60_000 * zone).toISOString(), offset = `${zone < 0 ? "-" : "+"}${two(Math.abs(zone) / 60)}:${two(Math.abs(zone) % 60)}`;
    const head = Uint8Array.from(EXIF.match(/../g), (pair) => parseInt(pair, 16));
    return new Blob([bytes.slice(0, 2), head, `${local.slice(0, 10).replaceAll("-", ":")} ${local.slice(11, 19)}\0${offset}\0`, bytes.slice(2)], {type: blob.type});
  };

  // Show the camera's picture until `act` or the person ends it; resolves to what `act` returned, or null.
  const open = async (messages, look, act) => {
    const stream = await camera();
    await styled;
    const video = element("video", {muted: true, playsInline: true, srcObject: stream});
    const overlay = document.createElementNS("http://www.w3.org/2000/svg", "svg");
    overlay.setAttribute("preserveAspectRatio", "xMidYMid meet");
    const hint = element("p", {className: "v big"}), buttons = element("div", {className: "act"});
    const box = element("div", {className: "cam"}, video, overlay, element("div", {className: "hint", role: "status"}, hint), buttons);
    let looking = 0;
    const end = () => {
      clearInterval(looking);
      for (const track of stream.getTracks()) track.stop();
      box.remove();
    };
    document.body.append(box);
    await video.play();
    return new Promise((resolve) => {
      const done = (value) => { end(); resolve(value); };
      const back = element("button", {className: "btn", type: "button", textContent: messages.back, onclick: () => done(null)});
      buttons.append(back, ...act(stream, video, done));
      back.focus();
      looking = setInterval(() => look(video, overlay, hint, done), LOOK_MS);
    });
  };
  const frame = (video) => {
    const scale = WIDTH / Math.max(1, video.videoWidth), canvas = element("canvas", {width: WIDTH, height: Math.max(1, Math.round(video.videoHeight * scale))});
    const context = canvas.getContext("2d", {willReadFrequently: true});
    context.drawImage(video, 0, 0, canvas.width, canvas.height);
    return context.getImageData(0, 0, canvas.width, canvas.height);
  };

  window.framing = (messages) => open(messages, (video, overlay, hint) => {
    if (!video.videoWidth) return;
    const seen = frame(video), {hint: name, found} = judge(seen);
    overlay.setAttribute("viewBox", `0 0 ${seen.width} ${seen.height}`);
    const outline = found.map(({x, y, w, h}) => `M${x} ${y}h${w}v${h}h${-w}z`).join("");
    overlay.innerHTML = `<path class="kk" d="${outline}"/><path class="k" d="${outline}"/>`;
    if (hint.textContent !== messages[`hint-${name}`]) hint.textContent = messages[`hint-${name}`];
  }, (stream, video, done) => {
    const shutter = element("button", {className: "btn shut", type: "button"}, element("span", {className: "vh", textContent: messages.shutter}));
    shutter.onclick = async () => {
      const at = new Date(), taken = await dated(await picture(stream, video), at);
      done(new File([taken], "photograph.jpg", {type: taken.type, lastModified: Date.now()}));
    };
    return [shutter, element("span", {className: "btn", id: "time-left"})];
  });
  window.framing.judge = judge;

  window.framing.label = (messages) => {
    const detector = new BarcodeDetector({formats: ["qr_code"]});
    let busy = false;
    return open(messages, async (video, overlay, hint, done) => {
      hint.textContent = messages["hint-label"];
      if (busy || !video.videoWidth) return;
      busy = true;
      const [code] = await detector.detect(video).catch(() => []);
      busy = false;
      if (code) done(code.rawValue);
    }, () => []);
  };
}
