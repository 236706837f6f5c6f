/* For a browser too old for the page's modules: say what is needed. */
window.onload = function () {
  document.getElementById("needs").hidden = false;
  document.getElementById("chanter-sentence").textContent = "";
};
