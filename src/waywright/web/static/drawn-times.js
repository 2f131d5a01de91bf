// <drawn-times>: how many times larger heights are drawn than lengths, for the width the drawing has just now.
class DrawnTimes extends HTMLElement {
  connectedCallback() {
    this.watch = new ResizeObserver(() => this.tell());
    this.watch.observe(this);
  }

  disconnectedCallback() {
    this.watch.disconnect();
  }

  tell() {
    const width = this.getBoundingClientRect().width;
    if (!width) return;
    const times = 1000 / Number(this.dataset.umPerPx) / (width / Number(this.dataset.lengthMm));
    const step = 10 ** (Math.floor(Math.log10(times)) - 1);
    const words = String(Math.round(times / step) * step).replace(/\B(?=(\d{3})+$)/g, "\u202f");
    this.textContent = `heights drawn ${words} times`;
  }
}
customElements.define("drawn-times", DrawnTimes);
