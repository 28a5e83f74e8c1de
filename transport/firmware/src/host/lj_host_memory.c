/* What the host port knows of the player's insides: a board that gets power for the first
 * time has nothing in its memory. */
#include "lj_core.h"

void lj_host_forget(void);

void lj_host_forget(void)
{
    (void)memset(&lj_kept, 0, sizeof lj_kept);
}
