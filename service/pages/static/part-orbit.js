// Where the eye stands: around the middle of the part, z up.
import { Vector3 } from "./vendor/three/three.module.min.js";

const START = { turn: -0.9, tilt: 0.75, zoom: 1 };
const STEP = Math.PI / 12;
const HIGHEST = Math.PI / 2 - 0.01;
const MARGIN = 1.02;

export class Orbit {
  constructor(camera, box) {
    this.camera = camera;
    this.middle = box.getCenter(new Vector3());
    this.radius = box.getSize(new Vector3()).length() / 2;
    camera.up.set(0, 0, 1);
    Object.assign(this, START);
  }

  drag(dx, dy, height) {
    this.turn -= (Math.PI * dx) / height;
    this.tilt += (Math.PI * dy) / height;
    this.place();
  }

  step(name) {
    if (name === "left") this.turn -= STEP;
    if (name === "right") this.turn += STEP;
    if (name === "up") this.tilt += STEP;
    if (name === "down") this.tilt -= STEP;
    if (name === "closer") this.zoom = Math.min(this.zoom * 1.25, 12);
    if (name === "further") this.zoom = Math.max(this.zoom / 1.25, 0.5);
    if (name === "start") Object.assign(this, START);
    this.place();
  }

  // The whole part fits into the narrower side of the picture.
  place() {
    const { camera, radius } = this;
    this.tilt = Math.max(-HIGHEST, Math.min(HIGHEST, this.tilt));
    const half = (camera.fov * Math.PI) / 360;
    const narrow = Math.min(half, Math.atan(Math.tan(half) * camera.aspect));
    const far = (MARGIN * radius) / Math.sin(narrow) / this.zoom;
    const flat = Math.cos(this.tilt);
    const away = new Vector3(flat * Math.cos(this.turn), flat * Math.sin(this.turn), Math.sin(this.tilt));
    camera.position.copy(this.middle).addScaledVector(away, far);
    camera.near = Math.max(far - 2 * radius, far / 100);
    camera.far = far + 2 * radius;
    camera.lookAt(this.middle);
    camera.updateProjectionMatrix();
    camera.updateMatrixWorld();
  }
}
