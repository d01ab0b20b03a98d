"use strict";
// The list is made by the server: when an answer comes, it is asked for again.
(() => {
  const told = document.querySelector("#told");
  const stream = new EventSource(`/events?after=${document.body.dataset.last}`);
  stream.addEventListener("answer", () => { stream.close(); location.reload(); });
  stream.addEventListener("open", () => { told.textContent = "New answers appear here by themselves."; });
  stream.addEventListener("error", () => { told.textContent = "No connection: new answers do not appear."; });
})();
