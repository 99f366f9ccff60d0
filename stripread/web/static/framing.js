// Framing help in the camera's picture, before the shutter: outlines the corner markers and gives one hint at a time.
// Loaded on demand. Nothing leaves the phone; the shutter takes the camera's largest picture.
"use strict";
{
  const LOOK_MS = 150, WIDTH = 480;
  const element = (tag, more = {}, ...children) => {
    const made = Object.assign(document.createElement(tag), more);
    made.append(...children);
    return made;
  };

  // Dark squares with a light frame, as the card's corner markers are: connected dark areas of a binarised picture.
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
      const w = x1 - x0 + 1, h = y1 - y0 + 1, side = Math.max(w, h);
      const inside = x0 > 1 && y0 > 1 && x1 < width - 2 && y1 < height - 2;
      if (inside && side > width / 40 && side < width / 4 && w > 0.6 * h && h > 0.6 * w && n > 0.3 * w * h && light(grey, width, x0, y0, x1, y1))
        found.push({x: x0, y: y0, w, h});
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
  const light = (grey, width, x0, y0, x1, y1) => {
    const edge = [], centre = grey[Math.round((y0 + y1) / 2) * width + Math.round((x0 + x1) / 2)];
    for (let x = x0; x <= x1; x += 2) edge.push(grey[(y0 - 2) * width + x], grey[(y1 + 2) * width + x]);
    const mean = edge.reduce((a, b) => a + b, 0) / edge.length;
    return mean > 70 && mean > 1.2 * Math.min(centre, mean);
  };
  // The four of the found squares that are alike in size and farthest apart, in the order of a turn around their middle.
  const corners = (found) => {
    const sorted = [...found].sort((a, b) => b.w * b.h - a.w * a.h);
    for (let i = 0; i + 3 < sorted.length; i += 1) {
      const four = sorted.slice(i, i + 4);
      if (four[3].w * four[3].h < 0.35 * four[0].w * four[0].h) continue;
      const cx = four.reduce((s, m) => s + m.x, 0) / 4, cy = four.reduce((s, m) => s + m.y, 0) / 4;
      const turned = four.sort((a, b) => Math.atan2(a.y - cy, a.x - cx) - Math.atan2(b.y - cy, b.x - cx));
      if (new Set(turned.map((m) => `${m.x > cx}${m.y > cy}`)).size >= 3) return turned;
    }
    return null;
  };
  // What to say of a picture; positions of the markers where they were found.
  const judge = ({data, width, height}) => {
    const grey = new Uint8Array(width * height);
    for (let i = 0; i < grey.length; i += 1) grey[i] = (data[4 * i] * 77 + data[4 * i + 1] * 150 + data[4 * i + 2] * 29) >> 8;
    const mean = grey.reduce((s, v) => s + v, 0) / grey.length, found = squares(grey, width, height), four = corners(found);
    if (mean < 45) return {hint: "dark", found};
    if (!four) return {hint: "markers", found};
    const xs = four.map((m) => m.x), ys = four.map((m) => m.y), x0 = Math.min(...xs), x1 = Math.max(...xs), y0 = Math.min(...ys), y1 = Math.max(...ys);
    const fill = Math.max((x1 - x0) / width, (y1 - y0) / height);
    if (fill < 0.5) return {hint: "closer", found: four};
    let glare = 0, n = 0, sharp = 0;
    const brightness = [[], [], [], []];
    for (let y = y0; y < y1; y += 1) for (let x = x0; x < x1; x += 1) {
      const i = y * width + x;
      n += 1;
      if (data[4 * i] > 250 && data[4 * i + 1] > 250 && data[4 * i + 2] > 250) glare += 1;
      sharp = Math.max(sharp, Math.abs(grey[i + 1] - grey[i - 1]));
      if (x % 5 === 0 && y % 5 === 0) brightness[(x > (x0 + x1) / 2 ? 1 : 0) + (y > (y0 + y1) / 2 ? 2 : 0)].push(grey[i]);
    }
    const paper = brightness.map((list) => list.sort((a, b) => a - b)[Math.floor(0.9 * list.length)] ?? 0);
    if (glare > 0.02 * n) return {hint: "glare", found: four};
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

  // Show the camera's picture until `act` or the person ends it; resolves to what `act` returned, or null.
  const open = async (messages, look, act) => {
    const stream = await camera();
    await styled;
    const video = element("video", {muted: true, playsInline: true, srcObject: stream});
    const overlay = document.createElementNS("http://www.w3.org/2000/svg", "svg");
    overlay.setAttribute("preserveAspectRatio", "xMidYMid slice");
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
      const taken = await picture(stream, video);
      done(new File([taken], "photograph.jpg", {type: taken.type, lastModified: Date.now()}));
    };
    return [shutter, element("span", {className: "btn", ariaHidden: "true"})];
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
