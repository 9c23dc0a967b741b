// A television that follows a phone: it asks once a second what to show. Written for old sets: ECMAScript 5, no sockets.
(function () {
  "use strict";
  var BAND = 44, EVERY = 1000, LEAST = 500;  // pixels of the line of words; ms between questions, and between pictures
  var el = function (id) { return document.getElementById(id); };
  var canvas = el("canvas"), drawn = "", shown = -1, changed = -1e9, failed = 0;

  function ratio() { return window.devicePixelRatio || 1; }
  function fit() {
    var w = Math.floor(window.innerWidth * ratio()), h = Math.floor((window.innerHeight - BAND) * ratio());
    if (canvas.width === w && canvas.height === h) return;
    canvas.width = w; canvas.height = h; drawn = ""; shown = -1;
    canvas.style.width = w / ratio() + "px"; canvas.style.height = h / ratio() + "px";
  }
  function rect(context, x, y, w, h, value) {
    context.fillStyle = "rgb(" + value + "," + value + "," + value + ")";
    context.fillRect(x, y, w, h);
  }
  function draw(frame) {
    var context = canvas.getContext("2d"), k, i, j, tag, cell, y;
    if (frame.pattern === "bar") {
      y = Math.round(canvas.height / 2);
      rect(context, 0, 0, canvas.width, canvas.height, 0);
      rect(context, (canvas.width - frame.bar) / 2, y - 30, frame.bar, 60, 255);
    } else if (frame.pattern === "plain") rect(context, 0, 0, canvas.width, canvas.height, frame.level);
    else paint(canvas, frame, 1, 0);
    for (k = 0; k < frame.tags.length; k++) {
      tag = frame.tags[k]; cell = tag[2];
      rect(context, tag[0], tag[1], (tag[3].length + 2) * cell, (tag[3].length + 2) * cell, 255);
      for (j = 0; j < tag[3].length; j++)
        for (i = 0; i < tag[3].length; i++)
          if (tag[3][j].charAt(i) === "0") rect(context, tag[0] + (i + 1) * cell, tag[1] + (j + 1) * cell, cell, cell, 0);
    }
  }
  function say(words) {  // in one line, as large as it can be
    el("band").textContent = words;
    el("band").style.fontSize = Math.max(12, Math.min(26, 1.9 * window.innerWidth / (words.length + 1))) + "px";
  }
  function show(answer) {
    var now = new Date().getTime(), frame = answer.frame, key;
    say(answer.words || "");
    el("join").style.display = frame ? "none" : "block";
    canvas.style.display = frame ? "block" : "none";
    document.body.style.cursor = frame ? "none" : "auto";
    if (!frame) {
      drawn = ""; shown = -1;
      el("what").textContent = answer.code ? "On the phone, under Where, choose \u201cA television as the board\u201d, and type" : "This screen has joined.";
      el("code").textContent = answer.code ? answer.code.slice(0, 3) + " " + answer.code.slice(3) : "";
      el("how").textContent = answer.code ? "" : "The phone chooses what it shows.";
      return;
    }
    if (answer.size[0] !== canvas.width || answer.size[1] !== canvas.height) return;  // told for another size: ask again
    key = JSON.stringify(frame);
    if (key !== drawn) {
      if (now - changed < LEAST) return;
      draw(frame); drawn = key; changed = now;
    }
    shown = answer.serial;
  }
  function ask() {
    var request = new XMLHttpRequest(), over = false;
    var end = function (answer) {
      if (over) return;
      over = true;
      failed = answer ? 0 : failed + 1;
      if (answer) show(answer);
      else if (failed > 3) say("The computer does not answer: see that surfscan page runs and the network is there.");
      window.setTimeout(ask, EVERY);
    };
    fit();
    request.open("POST", "/set/state", true);
    request.timeout = 5000;
    request.setRequestHeader("content-type", "application/json");
    request.onreadystatechange = function () {
      var answer = null;
      if (request.readyState !== 4) return;
      if (request.status === 200) try { answer = JSON.parse(request.responseText); } catch (e) { answer = null; }
      end(answer);
    };
    request.ontimeout = function () { end(null); };
    request.send(JSON.stringify({ size: [canvas.width, canvas.height], shown: shown,
      glass: [Math.round(screen.width * ratio()), Math.round(screen.height * ratio())] }));
  }
  el("whole").onclick = function () {
    var all = document.documentElement, call = all.requestFullscreen || all.webkitRequestFullscreen || all.mozRequestFullScreen;
    if (call) call.call(all);
  };
  ask();
}());
