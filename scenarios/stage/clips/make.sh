#!/bin/sh
# Makes the two clips that the far end of a call sends: 10 s of picture, 1280x720 at 30
# frames a second in VP8, and 10 s of sound in Opus. Both are looped, so every motion in
# them has a whole number of turns in 10 s. The content is computed here and is nobody's.
#
# A keyframe every 2 s lets a page that lost packets recover without asking, and one Opus
# packet to a page of the Ogg file (-page_duration) lets them be read one by one.
# Made with ffmpeg 5.1, libvpx 1.12, libopus 1.3; another version gives other bytes, and
# then the workload "call" has another hash.
set -eu
cd "$(dirname "$0")"
ffmpeg -v error -y -f lavfi -i "nullsrc=size=320x180:rate=30:duration=10,format=yuv444p,geq=\
lum='70+40*sin(2*PI*(X/420+T/10))+25*cos(2*PI*(Y/200-T/5))+100*exp(-(pow(X-160-34*sin(2*PI*T/5)\,2)/1800+pow(Y-84-12*sin(2*PI*T/2.5)\,2)/3000))':\
cb='128+26*sin(2*PI*(X/500-T/10))':cr='128+30*cos(2*PI*(Y/300+T/10))+14*exp(-(pow(X-160-34*sin(2*PI*T/5)\,2)+pow(Y-84\,2))/2600)',\
scale=1280:720:flags=bicubic,format=yuv420p,noise=alls=5:allf=t+u" \
  -c:v libvpx -b:v 1150k -minrate 1150k -maxrate 1150k -bufsize 500k -g 60 -keyint_min 60 -auto-alt-ref 0 \
  -error-resilient 1 -deadline realtime -cpu-used 4 -threads 1 -an -fflags +bitexact -f ivf call.ivf
ffmpeg -v error -y -f lavfi -i "aevalsrc='0.22*sin(2*PI*220*t)*pow(sin(PI*t*1.5)\,2)+0.12*sin(2*PI*330*t)*pow(sin(PI*t*2.3)\,2)+0.05*sin(2*PI*880*t)*pow(sin(PI*t*4.1)\,2)':s=48000:d=10" \
  -ac 2 -c:a libopus -b:a 32k -application voip -frame_duration 20 -page_duration 20000 -fflags +bitexact -map_metadata -1 call.ogg
