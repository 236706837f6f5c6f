/* For a browser too old for the page's modules: say what is needed. */
window.onload = function () {
  document.getElementById("needs").hidden = false;
  var sentence = document.getElementById("chanter-sentence");
  if (sentence) sentence.textContent = "";
};
