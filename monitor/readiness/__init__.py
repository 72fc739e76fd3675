"""What a person should know before a run: is the stream right, are the electrodes, the trigger, the sound, the timing?"""
