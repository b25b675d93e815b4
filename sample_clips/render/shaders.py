"""The GLSL programs: one a material, so that each fragment runs only what it needs.

Colours are linear inside and leave with a display curve. The alpha channel carries the tag of what
was drawn (0 the room), which the depth and visibility labels read; nothing blends with it.
"""

from __future__ import annotations

MAX_BONES = 64

_SOLID_IN = """
in vec3 pos; in vec3 nor; in vec3 col; in vec3 mat;
uniform mat4 clip; uniform mat4 model; uniform mat4 light;
out vec3 wp; out vec3 wn; out vec4 lp; out vec3 albedo; out vec3 props;
void main(){
  vec4 w = model*vec4(pos, 1);
  wp = w.xyz; wn = mat3(model)*nor; lp = light*w; albedo = col; props = mat;
  gl_Position = clip*w;
}"""

_SURFACE_IN = """
in vec3 pos; in vec3 nor; in vec2 uv;
uniform mat4 clip; uniform mat4 light;
out vec3 wp; out vec3 wn; out vec4 lp; out vec2 tc;
void main(){
  wp = pos; wn = nor; tc = uv; lp = light*vec4(pos, 1); gl_Position = clip*vec4(pos, 1);
}"""

_SKINNED_IN = """
in vec3 pos; in vec3 nor; in vec4 rest; in float lip; in vec4 joint; in vec4 weight;
uniform mat4 clip; uniform mat4 light; uniform vec4 bones[MAX_BONES*3];
out vec3 wp; out vec3 wn; out vec4 lp; out vec4 rp; out float lipness;
void main(){
  vec4 a = vec4(0), b = vec4(0), c = vec4(0);
  for(int k=0; k<4; k++){
    int j = int(joint[k])*3; float w = weight[k];
    a += w*bones[j]; b += w*bones[j+1]; c += w*bones[j+2];
  }
  vec4 p = vec4(pos, 1);
  wp = vec3(dot(a, p), dot(b, p), dot(c, p));
  wn = vec3(dot(a.xyz, nor), dot(b.xyz, nor), dot(c.xyz, nor));
  rp = rest; lipness = lip; lp = light*vec4(wp, 1); gl_Position = clip*vec4(wp, 1);
}""".replace("MAX_BONES", str(MAX_BONES))

_LIGHTING = """
in vec3 wp; in vec3 wn; in vec4 lp;
uniform sampler2DShadow shadow; uniform sampler2D noise;
uniform vec3 sun; uniform vec3 sunColour; uniform vec3 eye; uniform float texel; uniform float bias;
uniform vec3 skyTop; uniform vec3 skyBottom;
uniform vec4 walls; uniform float ceiling; uniform vec3 lamps[6]; uniform float lampPower;
out vec4 pixel;
float inShadow(float ndl){
  vec3 q = lp.xyz*.5+.5;
  if(q.x<0. || q.x>1. || q.y<0. || q.y>1.) return 1.;
  q.z -= bias*(1.-.6*clamp(ndl, 0., 1.));
  float s = texture(shadow, vec3(q.xy+vec2(-.7,-.3)*texel, q.z))
    + texture(shadow, vec3(q.xy+vec2(.3,-.7)*texel, q.z))
    + texture(shadow, vec3(q.xy+vec2(.7,.3)*texel, q.z))
    + texture(shadow, vec3(q.xy+vec2(-.3,.7)*texel, q.z));
  return s*.25;
}
// light collected from the lamps and lost in corners and near the floor
float roomLight(vec3 n){
  float sum = 0.;
  for(int i=0; i<6; i++){
    vec3 d = lamps[i]-wp; float r2 = dot(d, d);
    sum += max(dot(n, d)*inversesqrt(r2), 0.)/(1.+.22*r2);
  }
  vec4 away = vec4(wp.x-walls.x, walls.y-wp.x, wp.z-walls.z, walls.w-wp.z);
  vec4 dark = 1.-.28*exp(-max(away, 0.)/.35);
  float corner = dark.x*dark.y*dark.z*dark.w*(1.-.22*exp(-max(ceiling-wp.y, 0.)/.4));
  float low = abs(n.y)>.5 ? 1. : 1.-.30*exp(-max(wp.y, 0.)/.22);
  return (1.-lampPower+lampPower*sum)*corner*low;
}
vec4 lit(vec3 a, vec3 n, float gloss, float room, float tag){
  vec3 v = normalize(eye-wp);
  if(dot(n, v) < 0. && gloss > .5) n = -n;      // thin steel is seen from both sides
  float ndl = dot(n, sun), s = inShadow(ndl);
  vec3 sky = mix(skyBottom, skyTop, n.y*.5+.5);
  float fill = .14*max(dot(n, normalize(vec3(-sun.x, .25, -sun.z))), 0.);
  float sharp = 8.+gloss*60.;
  float glint = gloss*pow(max(dot(n, normalize(sun+v)), 0.), sharp)*s;
  float sheen = gloss*.35*pow(1.-abs(dot(n, v)), 4.);
  vec3 c = a*((sky+fill)*room+sunColour*max(ndl, 0.)*s)+(glint*sunColour+sheen*sky)*1.3;
  c = c/(1.+.20*dot(c, vec3(.3, .6, .1)));
  return vec4(pow(clamp(c, 0., 1.), vec3(1./2.2)), tag/255.);
}
"""

_SOLID_OUT = """
in vec3 albedo; in vec3 props;
uniform float tagOffset; uniform float inRoom;
void main(){
  vec3 n = normalize(wn);
  float nz = texture(noise, vec2(wp.x+wp.z*.37, wp.y+wp.z*.71)*.9).r-.5;
  if(props.y > 0.){ pixel = vec4(min(albedo*(1.+props.y), 1.), 0.); return; }
  float room = inRoom > .5 ? roomLight(n) : 1.;
  pixel = lit(albedo*(1.+nz*.3), n, props.x, room, inRoom > .5 ? 0. : tagOffset+props.z);
}"""

_SURFACE_OUT = """
in vec2 tc;
uniform sampler2D tex; uniform float gloss;
void main(){
  vec3 n = normalize(wn), a = pow(texture(tex, tc).rgb, vec3(2.2));
  float wear = texture(noise, vec2(wp.x+wp.y*.31, wp.z+wp.y*.83)*.13).r-.5;
  pixel = lit(a*(1.+wear*.5), n, gloss, roomLight(n), 0.);
}"""

# What is cloth, skin, hair or shoe is decided by the rest position, so edges are sharp at any
# mesh density. cut = (waist y, trousers' lower edge y, neck y, sleeve share); hem = shirt's lower
# edge y (above the waist for a crop top). rp.w is the place along the upper arm, 0 on the trunk.
_CUT = """
in vec4 rp;
uniform vec4 cut; uniform float hem;
const float SHOE = .105, SOCK = .165;
bool isShirt(){
  return rp.w>0. ? rp.w<cut.w : abs(rp.x)<.40 && rp.y>hem && rp.y<cut.z;
}
bool isShorts(){ return abs(rp.x)<.34 && rp.w<=0. && rp.y>cut.y && rp.y<=cut.x; }
"""

_SKIN_OUT = """
in float lipness;
uniform vec3 skin; uniform vec3 hair; uniform vec3 eyeAt;
uniform float beard; uniform float tagOffset;
void main(){
  vec3 r = rp.xyz; float across = abs(r.x), m = .03;
  // under cloth, cut back a little from its edges
  bool sleeve = rp.w>0. && rp.w<cut.w-.05;
  bool shirt = rp.w<=0. && across<.40 && r.y>hem+m && r.y<cut.z-m;
  bool trousers = rp.w<=0. && across<.34 && r.y>cut.y+m && r.y<cut.x-m;
  if(r.y<.10 || sleeve || shirt || trousers) discard;
  float blotch = texture(noise, r.xy*3.+r.z*2.).r-.5, gloss = .12;
  vec3 a = skin*(1.+blotch*.22), e = r-eyeAt;
  if(e.z>-.09){
    a = mix(a, skin*vec3(1.05, .72, .70), lipness*.75);
    if(length(vec2(across-eyeAt.x, e.y))<.019 && e.z>-.02) a *= .80;
    float brow = e.y-(.021+.006*(1.-abs(across-.035)/.03));
    if(abs(brow)<.0048 && across>.014 && across<.058 && e.z>-.03) a = mix(a, hair, .8);
    float chin = smoothstep(-.035, -.055, e.y)*step(-.125, e.y)*step(.5, beard)*(1.-lipness);
    a = mix(a, hair, chin*.75*step(-.085, e.z));
  }
  float line = .062+.02*(texture(noise, r.xz*6.).r-.5);
  bool crown = e.y>line || (e.z<-.105 && e.y>-.055) || (e.z<-.075 && e.y>.005 && across>.055);
  if(crown && e.y>-.08 && r.y>cut.z+.04){
    a = hair*(1.+.9*(texture(noise, r.xy*19.+r.zx*7.).r-.5)); gloss = .08;
  }
  pixel = lit(a, normalize(wn), gloss, 1., tagOffset);
}"""

_CLOTH_OUT = """
uniform vec3 shirt; uniform vec3 shorts; uniform vec3 shoes; uniform vec3 socks;
uniform vec4 print; uniform float tagOffset;
void main(){
  vec3 r = rp.xyz, n = normalize(wn), a; float across = abs(r.x);
  float fold = texture(noise, vec2(r.x*2.2, r.y*.9+r.z)).r-.5;
  float crease = texture(noise, wp.xy*1.7+wp.z*.9).r-.5;
  if(r.y<SHOE && rp.w<=0.){
    a = r.y<.028 ? vec3(.6) : shoes;
    if(r.y>.05 && r.y<.085 && abs(r.z-.08)<.012) a = mix(a, vec3(.6), .8);
  } else if(r.y<SOCK && rp.w<=0.) a = cut.y<SOCK ? shorts : socks;
  else if(isShirt()){
    a = shirt;
    if(print.a>.5 && r.z>.03 && abs(r.y-(cut.z+hem)*.5-.10)<.028 && across<.085 && fold<.22)
      a = mix(a, print.rgb, .75);
    n = normalize(n+vec3(fold*.5, crease*.25, fold*.3));
  } else if(isShorts()){
    a = shorts; n = normalize(n+vec3(fold*.4, fold*.2, crease*.2));
  } else discard;
  pixel = lit(a*(1.+fold*.25), n, .06, 1., tagOffset);
}"""

_EYES_OUT = """
in vec4 rp; uniform vec3 eyeAt; uniform float tagOffset;
void main(){
  float d = length(vec2(abs(rp.x)-eyeAt.x, rp.y-eyeAt.y));
  vec3 a = d<.0028 ? vec3(.01) : d<.0062 ? vec3(.06, .03, .015) : vec3(.55);
  pixel = lit(a, normalize(wn), .3, 1., tagOffset);
}"""

_HEAD = "#version 330\n"

SOLID = (_HEAD + _SOLID_IN, _HEAD + _LIGHTING + _SOLID_OUT)
SURFACE = (_HEAD + _SURFACE_IN, _HEAD + _LIGHTING + _SURFACE_OUT)
SKIN = (_HEAD + _SKINNED_IN, _HEAD + _LIGHTING + _CUT + _SKIN_OUT)
CLOTH = (_HEAD + _SKINNED_IN, _HEAD + _LIGHTING + _CUT + _CLOTH_OUT)
EYES = (_HEAD + _SKINNED_IN, _HEAD + _LIGHTING + _EYES_OUT)

# Shadows that moving things throw on the floor: a patch that darkens what is there already.
PATCH = (
    _HEAD
    + """
in vec3 pos; uniform mat4 clip; uniform mat4 light; out vec4 lp; out vec2 xz;
void main(){ xz = pos.xz; lp = light*vec4(pos, 1); gl_Position = clip*vec4(pos, 1); }""",
    _HEAD
    + """
in vec4 lp; in vec2 xz; uniform sampler2DShadow shadow; uniform float texel; uniform float depth;
uniform vec3 spots[24]; uniform int count; out vec4 pixel;
void main(){
  vec3 q = lp.xyz*.5+.5; q.z -= .002; float s = 0., w = texel*2.;
  s += texture(shadow, vec3(q.xy+vec2(-.7,-.3)*w, q.z));
  s += texture(shadow, vec3(q.xy+vec2(.3,-.7)*w, q.z));
  s += texture(shadow, vec3(q.xy+vec2(.7,.3)*w, q.z));
  s += texture(shadow, vec3(q.xy+vec2(-.3,.7)*w, q.z));
  if(q.x<0. || q.x>1. || q.y<0. || q.y>1.) s = 4.;
  float contact = 1.;                        // soft darkness under feet and plates
  for(int i=0; i<count; i++){
    vec2 d = xz-spots[i].xy;
    contact *= 1.-spots[i].z*exp(-dot(d, d)/.02);
  }
  pixel = vec4(vec3(mix(1.-depth, 1., s*.25)*contact), 1);
}""",
)

SHADOW_SOLID = (
    _HEAD
    + "in vec3 pos; uniform mat4 model; uniform mat4 light; void main(){ gl_Position = "
    + "light*(model*vec4(pos, 1)); }",
    _HEAD + "void main(){}",
)
SHADOW_SKINNED = (_HEAD + _SKINNED_IN, _HEAD + "void main(){}")
