"use strict";
// The token stands after the # of the link, which browsers send to nobody; it is exchanged for a cookie that scripts cannot read.
(async () => {
  const told = document.querySelector("#told"), given = new URLSearchParams(location.hash.slice(1));
  const token = given.get("k"), page = given.get("p"), touch = given.get("touch");
  if (token) {
    history.replaceState(null, "", location.pathname);
    const reply = await fetch("/enter", { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ token }) }).catch(() => null);
    if (reply?.ok) {
      const known = /^[0-9a-f]{16}$/.test(page ?? "");
      location.replace(known ? `/p/${page}${touch ? `#touch=${encodeURIComponent(touch)}` : ""}` : "/");
      return;
    }
    const why = reply ? (await reply.json().catch(() => ({}))).error ?? "this link is not valid" : "the server does not answer: try again later";
    told.textContent = `${why[0].toUpperCase()}${why.slice(1)}.${reply ? " Ask whoever sent it for another." : ""}`;
    return;
  }
  // a link from another site: the browser kept the cookie back for the first request, not for this one
  const known = await fetch("/me").catch(() => null);
  if (known?.ok && !location.search) location.replace(`${location.pathname}?again${location.hash}`);
  else told.textContent = "Open the link that you were given; it may have expired. Ask whoever sent it for another.";
})();
