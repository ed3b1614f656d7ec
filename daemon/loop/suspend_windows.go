package loop

// ignoreSuspend: Windows suspends no job from the keyboard.
func ignoreSuspend() {}
