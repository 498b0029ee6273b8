/* What a build may set (-DNAME=VALUE). Nothing here can be changed over the line. */
#ifndef CONSTANTS_H
#define CONSTANTS_H

#define PROTOCOL 1
#define PROGRAM 1

#ifndef BEAT_LIMIT_MS
#define BEAT_LIMIT_MS 5000UL /* silence after which the contact opens; docs promise less than 8 s */
#endif
#ifndef ROUND_MS
#define ROUND_MS 100UL /* all four channels are measured once in this time */
#endif
#ifndef REPORT_MS
#define REPORT_MS 500UL
#endif
#ifndef CONFIRM_ROUNDS
#define CONFIRM_ROUNDS 3 /* rounds in a row beyond a limit: one spike opens nothing */
#endif
#ifndef SPOIL_MS
#define SPOIL_MS 500UL /* a line that stood still for so long in its middle is spoiled */
#endif

/* The widest limits that may be armed, whoever asks. */
#ifndef WIDEST_LOW_MV
#define WIDEST_LOW_MV 800L
#endif
#ifndef WIDEST_HIGH_MV
#define WIDEST_HIGH_MV 4350L
#endif
#ifndef WIDEST_LOW_CDEGC
#define WIDEST_LOW_CDEGC (-2000L)
#endif
#ifndef WIDEST_HIGH_CDEGC
#define WIDEST_HIGH_CDEGC 6000L
#endif
#ifndef WIDEST_LONGEST_S
#define WIDEST_LONGEST_S 259200L /* 72 h */
#endif

#define LOOKS 64        /* looks at a pin that make one value */
#define COUNTS 1024L    /* of the converter */
#define LINE_MOST 96

#endif
