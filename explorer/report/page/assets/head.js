(function () {
  "use strict";
  var root = document.documentElement;
  root.classList.add("js");
  try {
    var kept = window.localStorage.getItem("page-theme");
    if (kept === "dark" || kept === "light") root.setAttribute("data-theme", kept);
  } catch (fault) { /* a page from a disk may not be allowed to remember */ }
})();
