(function () {
  var bar = document.getElementById("filter"), rows = document.querySelectorAll("[data-kind]"), chosen = {};
  [["installer", "Installer"], ["region", "Region"], ["kind", "What"]].forEach(function (field) {
    var values = {}, label = document.createElement("label"), select = document.createElement("select");
    rows.forEach(function (row) { values[row.dataset[field[0]]] = true; });
    if (Object.keys(values).length < 2) { return; }
    [""].concat(Object.keys(values).sort()).forEach(function (value) {
      select.add(new Option(value || "all", value));
    });
    select.onchange = function () {
      chosen[field[0]] = select.value;
      rows.forEach(function (row) {
        row.hidden = Object.keys(chosen).some(function (name) { return chosen[name] && row.dataset[name] !== chosen[name]; });
      });
    };
    label.append(field[1] + " ", select);
    bar.append(label);
  });
  bar.hidden = !bar.children.length;
}());
