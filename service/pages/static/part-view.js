// The part in three dimensions, with its sizes drawn on it. Drawn only when something changed: nothing moves by itself.
import * as three from "./vendor/three/three.module.min.js";
import { Orbit } from "./part-orbit.js";
import { Marks } from "./part-marks.js";

const STL_HEAD = 84;
const STL_ROW = 50;
const CREASE_DEGREES = 25;
const CLICK_PX = 6; // a pointer that moved less has clicked

// Corners (x, y, z of each triangle's three) of binary STL, little-endian.
function cornersOf(stl) {
  const view = new DataView(stl);
  const count = view.getUint32(80, true);
  const corners = new Float32Array(count * 9);
  for (let i = 0; i < count; i += 1) {
    for (let k = 0; k < 9; k += 1) corners[9 * i + k] = view.getFloat32(STL_HEAD + STL_ROW * i + 12 + 4 * k, true);
  }
  return corners;
}

function colour(name) {
  return new three.Color(getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim());
}

export class PartView {
  onPick = () => {};

  constructor(stage, stl, rows, onLost) {
    this.stage = stage;
    this.canvas = stage.querySelector("canvas");
    this.renderer = new three.WebGLRenderer({ canvas: this.canvas, antialias: true, alpha: true });
    this.scene = new three.Scene();
    this.camera = new three.PerspectiveCamera(28, 1, 0.1, 1000);
    this.addPart(cornersOf(stl));
    this.marks = new Marks(this.scene, rows, this.box, stage.querySelector(".tags"));
    this.orbit = new Orbit(this.camera, this.box);
    this.addLight();
    this.paint();
    this.listen(onLost);
    this.resize();
  }

  addPart(corners) {
    const geometry = new three.BufferGeometry();
    geometry.setAttribute("position", new three.BufferAttribute(corners, 3));
    geometry.computeVertexNormals();
    geometry.computeBoundingBox();
    this.box = geometry.boundingBox;
    this.surface = new three.MeshLambertMaterial({ side: three.DoubleSide, polygonOffset: true, polygonOffsetFactor: 1, polygonOffsetUnits: 1 });
    this.ink = new three.LineBasicMaterial();
    this.part = new three.Mesh(geometry, this.surface);
    this.scene.add(this.part, new three.LineSegments(new three.EdgesGeometry(geometry, CREASE_DEGREES), this.ink));
  }

  addLight() {
    const lamp = new three.DirectionalLight(0xffffff, 1.9);
    lamp.position.set(-0.6, 0.9, 1);
    this.camera.add(lamp);
    this.scene.add(this.camera, new three.AmbientLight(0xffffff, 1.2));
  }

  // Colours of the style sheet, light or dark.
  paint() {
    this.surface.color = colour("part");
    this.ink.color = colour("rule");
    this.marks.paint(colour("accent"), colour("focus"));
    this.draw();
  }

  listen(onLost) {
    const canvas = this.canvas;
    new ResizeObserver(() => this.resize()).observe(this.stage);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.paint());
    canvas.addEventListener("webglcontextlost", onLost);
    canvas.addEventListener("pointerdown", (event) => this.press(event));
    canvas.addEventListener("pointermove", (event) => this.move(event));
    canvas.addEventListener("pointerup", (event) => this.release(event));
    canvas.addEventListener("pointercancel", () => { this.held = null; });
    canvas.addEventListener("keydown", (event) => this.key(event));
    canvas.addEventListener("wheel", (event) => this.wheel(event), { passive: false });
  }

  press(event) {
    this.held = { x: event.clientX, y: event.clientY, moved: 0 };
    this.canvas.setPointerCapture(event.pointerId);
  }

  move(event) {
    if (!this.held) {
      this.canvas.classList.toggle("over-size", this.sizeAt(event) !== null);
      return;
    }
    const dx = event.clientX - this.held.x;
    const dy = event.clientY - this.held.y;
    this.held = { x: event.clientX, y: event.clientY, moved: this.held.moved + Math.hypot(dx, dy) };
    if (this.held.moved > CLICK_PX) this.orbit.drag(dx, dy, this.canvas.clientHeight);
    this.draw();
  }

  release(event) {
    const clicked = this.held && this.held.moved <= CLICK_PX;
    this.held = null;
    const index = clicked ? this.sizeAt(event) : null;
    if (index !== null) this.onPick(index);
  }

  key(event) {
    const name = { ArrowLeft: "left", ArrowRight: "right", ArrowUp: "up", ArrowDown: "down", "+": "closer", "=": "closer", "-": "further", Home: "start" }[event.key];
    if (!name || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    this.turn(name);
  }

  // Zooms only for who has the picture in hand, so that the page scrolls on under a passing pointer.
  wheel(event) {
    if (document.activeElement !== this.canvas && !event.ctrlKey) return;
    event.preventDefault();
    this.turn(event.deltaY < 0 ? "closer" : "further");
  }

  turn(name) {
    this.orbit.step(name);
    this.draw();
  }

  pick(index) {
    this.marks.pick(index);
    this.draw();
  }

  mark(index, hasFit) {
    this.marks.mark(index, hasFit);
  }

  sizeAt(event) {
    const box = this.canvas.getBoundingClientRect();
    const spot = new three.Vector2((2 * (event.clientX - box.left)) / box.width - 1, 1 - (2 * (event.clientY - box.top)) / box.height);
    const ray = new three.Raycaster();
    ray.setFromCamera(spot, this.camera);
    return this.marks.hit(ray, this.part);
  }

  resize() {
    const { clientWidth: width, clientHeight: height } = this.stage;
    if (!width || !height) return;
    this.renderer.setPixelRatio(Math.min(window.devicePixelRatio, 2));
    this.renderer.setSize(width, height, false);
    this.camera.aspect = width / height;
    this.orbit.place();
    this.draw();
  }

  draw() {
    if (this.asked) return;
    this.asked = true;
    requestAnimationFrame(() => {
      this.asked = false;
      this.renderer.render(this.scene, this.camera);
      this.marks.placeTags(this.camera, this.stage.clientWidth, this.stage.clientHeight);
      this.stage.dataset.drawn = "yes";
    });
  }
}
