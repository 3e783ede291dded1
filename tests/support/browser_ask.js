/* Runs inside a page under test and tells its parent what is wrong with it at this width. */
var wrong = [];
addEventListener("error", function (event) { wrong.push("error: " + event.message); });
function channels(colour) {
  var parts = colour.match(/[\d.]+/g).map(Number);
  return { r: parts[0], g: parts[1], b: parts[2], a: parts.length > 3 ? parts[3] : 1 };
}
/* Relative luminance and contrast ratio: WCAG 2.2, definitions. */
function luminance(colour) {
  var parts = [colour.r, colour.g, colour.b].map(function (value) {
    value /= 255;
    return value <= 0.04045 ? value / 12.92 : Math.pow((value + 0.055) / 1.055, 2.4);
  });
  return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2];
}
function contrast(one, other) {
  var pair = [luminance(one), luminance(other)].sort(function (a, b) { return b - a; });
  return (pair[0] + 0.05) / (pair[1] + 0.05);
}
function behind(element) {
  for (var one = element; one; one = one.parentElement) {
    var colour = channels(getComputedStyle(one).backgroundColor);
    if (colour.a === 1) { return colour; }
  }
  return { r: 255, g: 255, b: 255, a: 1 };
}
function named(element) {
  return element.tagName.toLowerCase() + (element.getAttribute("class") ? "." + element.getAttribute("class") : "") +
    " " + element.textContent.trim().slice(0, 40);
}
addEventListener("load", function () {
  var width = document.documentElement.clientWidth;
  if (document.documentElement.scrollWidth > width) { wrong.push("the page is " + document.documentElement.scrollWidth + " wide"); }
  document.querySelectorAll("body *").forEach(function (one) {
    var place = one.getBoundingClientRect(), style = getComputedStyle(one);
    if (!place.width || style.visibility === "hidden" || style.clipPath !== "none" || one.closest("thead, script, style")) { return; }
    if (place.right > width + 1 || place.left < -1) { wrong.push("overflows: " + named(one)); }
    if (one.matches(".map td") && one.scrollWidth > one.clientWidth + 1) { wrong.push("cut off: " + named(one)); }
    var isText = Array.from(one.childNodes).some(function (node) { return node.nodeType === 3 && node.textContent.trim(); });
    if (isText) {
      var colour = channels(one.closest("svg") ? style.fill : style.color), ratio = contrast(colour, behind(one));
      var size = parseFloat(style.fontSize), isLarge = size >= 24 || (size >= 18.66 && Number(style.fontWeight) >= 700);
      if (ratio < (isLarge ? 3 : 4.5)) { wrong.push("contrast " + ratio.toFixed(2) + ": " + named(one)); }
    }
  });
  parent.postMessage({ width: String(width), wrong: wrong }, "*");
});
