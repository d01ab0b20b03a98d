// Holds a page in a frame of its own in a notebook cell; the chosen touch goes both ways.
export default {
  render({ model, el }) {
    const frame = document.createElement("iframe");
    frame.title = model.get("title");
    frame.setAttribute("sandbox", "allow-scripts allow-downloads");
    Object.assign(frame.style, { display: "block", width: "100%", height: `${model.get("height")}px`, border: "1px solid #cfd4dc", boxSizing: "border-box" });
    const choose = () => {
      const touch = model.get("chosen");
      frame.contentWindow?.postMessage({ probekit: "choose", touch: touch === null ? null : String(touch) }, "*");
    };
    const heard = ({ source, data }) => {
      if (source !== frame.contentWindow || !data?.probekit) return;
      if (data.probekit === "ready") choose(); // a frame that the notebook moves is loaded anew
      else if (data.probekit === "chosen") {
        model.set("chosen", data.touch);
        model.save_changes();
      }
    };
    addEventListener("message", heard);
    model.on("change:chosen", choose);
    frame.srcdoc = model.get("page");
    el.replaceChildren(frame);
    return () => {
      removeEventListener("message", heard);
      model.off("change:chosen", choose);
    };
  },
};
