/* A chosen file's text goes into its box, where it can be read before it is sent. */
"use strict";
document.addEventListener("change", (event) => {
  const box = event.target.dataset && document.getElementById(event.target.dataset.into || "");
  const file = event.target.files && event.target.files[0];
  if (box && file) file.text().then((text) => { box.value = text; });
});
