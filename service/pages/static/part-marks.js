// The sizes drawn on the part: a sleeve in each hole and around each boss, its two rims, and a numbered tag.
import * as three from "./vendor/three/three.module.min.js";

const SIDES = 48;
const LEAST_SHARE = 0.02; // of the part's size: smaller sizes can be hit as if they were so large
const UP = new three.Vector3(0, 1, 0); // a cylinder's own axis in the library

function rim(radius, height) {
  const points = [];
  for (let i = 0; i < SIDES; i += 1) {
    const angle = (2 * Math.PI * i) / SIDES;
    points.push(new three.Vector3(radius * Math.cos(angle), height, radius * Math.sin(angle)));
  }
  return new three.BufferGeometry().setFromPoints(points);
}

export class Marks {
  constructor(scene, rows, box, tags) {
    this.size = box.getSize(new three.Vector3()).length();
    this.plain = { sleeve: this.sleeve(0.45), rim: new three.LineBasicMaterial({ depthTest: false, transparent: true }) };
    this.chosen = { sleeve: this.sleeve(0.85), rim: new three.LineBasicMaterial({ depthTest: false, transparent: true }) };
    this.marks = rows.filter((row) => row.at && row.direction).map((row) => this.markOf(row, scene, tags));
  }

  sleeve(opacity) {
    return new three.MeshBasicMaterial({ side: three.DoubleSide, transparent: true, opacity, depthWrite: false });
  }

  markOf(row, scene, tags) {
    const depth = row.depth || 0.02 * this.size;
    const radius = (row.size / 2) * (row.inside ? 0.985 : 1.015);
    const sleeve = new three.Mesh(new three.CylinderGeometry(radius, radius, depth, SIDES, 1, true), this.plain.sleeve);
    const rims = [-depth / 2, depth / 2].map((height) => new three.LineLoop(rim(radius, height), this.plain.rim));
    const group = new three.Group().add(sleeve, ...rims);
    const direction = new three.Vector3(...row.direction).normalize();
    group.quaternion.setFromUnitVectors(UP, direction);
    group.position.set(...row.at);
    scene.add(group);
    const mark = { row, sleeve, rims, direction, depth, tag: this.tag(row, tags), target: this.target(row, depth) };
    mark.target.quaternion.copy(group.quaternion);
    mark.target.position.copy(group.position);
    mark.target.updateMatrixWorld();
    return mark;
  }

  // What a pointer hits: never drawn, closed at both ends, a hair longer than the size itself.
  target(row, depth) {
    const radius = Math.max((row.size / 2) * 1.02, LEAST_SHARE * this.size * 0.5);
    return new three.Mesh(new three.CylinderGeometry(radius, radius, depth + 0.01 * this.size, 24), new three.MeshBasicMaterial({ side: three.DoubleSide }));
  }

  tag(row, tags) {
    const tag = document.createElement("span");
    tag.className = "stage-tag";
    tag.textContent = String(row.index + 1);
    tags.append(tag);
    return tag;
  }

  paint(plain, chosen) {
    this.plain.sleeve.color = this.plain.rim.color = plain;
    this.chosen.sleeve.color = this.chosen.rim.color = chosen;
  }

  pick(index) {
    for (const mark of this.marks) {
      const look = mark.row.index === index ? this.chosen : this.plain;
      mark.sleeve.material = look.sleeve;
      for (const line of mark.rims) line.material = look.rim;
      mark.tag.classList.toggle("picked", mark.row.index === index);
    }
  }

  mark(index, hasFit) {
    this.marks.find((mark) => mark.row.index === index)?.tag.classList.toggle("with-fit", hasFit);
  }

  // The size under a ray that the part does not hide; of several the narrowest. null: none.
  hit(ray, part) {
    const wall = ray.intersectObject(part)[0]?.distance ?? Infinity;
    const found = this.marks.filter((mark) => {
      const first = ray.intersectObject(mark.target)[0];
      return first && first.distance <= wall + 0.002 * this.size;
    });
    found.sort((one, other) => one.row.size - other.row.size);
    return found[0]?.row.index ?? null;
  }

  // Each tag stands at the end of its size that is nearer to the eye.
  placeTags(camera, width, height) {
    for (const mark of this.marks) {
      const middle = new three.Vector3(...mark.row.at);
      const ends = [-0.5, 0.5].map((share) => middle.clone().addScaledVector(mark.direction, share * mark.depth));
      ends.sort((one, other) => one.distanceTo(camera.position) - other.distanceTo(camera.position));
      const spot = ends[0].project(camera);
      const x = Math.round(((spot.x + 1) / 2) * width);
      const y = Math.round(((1 - spot.y) / 2) * height);
      mark.tag.style.transform = `translate(${x}px, ${y}px) translate(60%, -110%)`;
      mark.tag.hidden = x < 0 || y < 0 || x > width || y > height;
    }
  }
}
